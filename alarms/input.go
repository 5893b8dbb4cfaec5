package alarms

import (
	"time"

	"tickover/model"
)

const (
	// leastHold is how long a point may go without a good sample before its
	// rules are called unwatched: a line with a few corrupt answers round the
	// crank is still a line one can see by.
	leastHold = 5 * time.Second
	// firstHold is used instead until the poll interval has been seen.
	firstHold = 60 * time.Second
	// missedPolls is how many polls in a row may fail, when that is longer.
	missedPolls = 3
	// longHold bounds that for a point that is polled seldom: a dead sensor is
	// called so within 15 s if its interval allows it at all.
	longHold = 14 * time.Second
)

// input is what is known about one point.
type input struct {
	point    model.PointID
	sample   model.Sample  // the newest
	seen     bool          // there was a sample at all
	at       model.Instant // of the newest sample
	good     model.Instant // of the last that was good or empty, or since when one is awaited
	reported model.Instant // of the last that says how the sensor is
	every    time.Duration // poll interval as it shows; 0 means not yet known
	turn     uint64        // the step that brought the newest sample
}

func (in *input) take(s model.Sample, at model.Instant, turn uint64) {
	if in.seen {
		// Burst polling shortens the interval at once in neither direction: a
		// slow point must not look stale when the burst ends.
		in.every = max(elapsed(in.at, at), in.every/2)
	}
	in.sample, in.seen, in.at, in.turn = s, true, at, turn
	if s.Quality == model.Good || in.empty() {
		in.good = at
	}
	if s.Quality == model.Good || failed(s.Cause) {
		in.reported = at
	}
}

// reboot forgets every time of the previous boot; waiting restarts.
func (in *input) reboot(at model.Instant) {
	*in = input{point: in.point, good: at, reported: at}
}

func (in *input) hold() time.Duration {
	if in.every == 0 {
		return firstHold
	}
	return max(leastHold, min(missedPolls*in.every, longHold), in.every+in.every/4)
}

// noValueHere says why nothing is judged.
const noValueHere = "no value: a ratio of voltages or currents is not defined while they are small"

// empty reports that a formula has no value here, all it is worked out from
// being good: a ratio of voltages while there are none. Nothing is judged then,
// but nothing is lost from sight either.
func (in *input) empty() bool {
	return in.sample.Quality == model.Bad && in.sample.Cause == model.Undefined
}

// blind reports that nothing was seen for too long.
func (in *input) blind(now model.Instant) bool { return elapsed(in.good, now) > in.hold() }

// value returns the newest value if it can be judged.
func (in *input) value(now model.Instant) (float64, bool) {
	if in == nil || !in.seen || in.sample.Quality != model.Good || in.blind(now) {
		return 0, false
	}
	return in.sample.Value, true
}

// failed reports whether a cause speaks of the sensor. Silence of a device
// does not, and neither does a formula without a value.
func failed(c model.Cause) bool {
	switch c {
	case model.DeviceException, model.NotImplemented, model.Implausible, model.SensorFailed:
		return true
	}
	return false
}

// engine is what the set is doing, as far as arming needs it.
type engine struct {
	now   model.EngineState // as the last scan says
	held  model.EngineState // the last state that was known: losing the signals disarms nothing
	known bool              // a state was known since the machine or the boot began
	// sustained is when the engine came to turn by itself. underway means it
	// did so before monitoring began: the delay after the start is then over.
	sustained model.Instant
	underway  bool

	turns   int           // changes between rest and turning
	turned  model.Instant // the newest of them
	starts  int           // how often it came to turn by itself
	rested  model.Instant // when it came to rest, or was first seen at rest
	loaded  model.Instant // when it last carried load in this run; zero means not yet
	cooled  time.Duration // without load before the last stop
	starter time.Duration // cranked and not yet rested for
	cranks  cranks
	rest    rest
	above   time.Duration // above rated power and not yet earned back
}

// take follows the engine's state. run is for how long it can have run by
// itself, as far as the readings tell.
func (e *engine) take(in, run *input, turn uint64, at model.Instant) {
	if in.turn != turn {
		return
	}
	e.now = model.EngineUnknown
	if in.sample.Quality == model.Good {
		e.now = model.EngineState(in.sample.Value)
	}
	// A vote that came to nothing is itself a value, so that a rule can warn of it.
	in.sample = model.GoodSample(model.EngineStatePoint, float64(e.now))
	in.good, in.reported = in.at, in.at
	if e.now == model.EngineUnknown {
		return
	}
	e.count(at)
	switch {
	case e.now == model.Standstill || e.now == model.Cranking:
		e.sustained, e.underway = model.Instant{}, false
	case !e.known && e.now > model.RunningUp:
		e.underway = true
	case e.now.Running() && e.sustained.IsZero() && !e.underway:
		// The state is seen late when answers are lost or the meter still wakes:
		// a delay after the start must not wait for that.
		e.sustained = at
		if s, ok := run.value(at); ok && run.turn == turn {
			e.sustained = at.Add(-time.Duration(s * float64(time.Second)))
		}
		e.starts++
	}
	e.held, e.known = e.now, true
}

// count follows turning, load and cooling from the state held to the one that
// is now.
func (e *engine) count(at model.Instant) {
	if e.known {
		e.cranks.follow(e.held, e.now, at)
	}
	if e.known && e.held.Turning() != e.now.Turning() {
		e.turns++
		e.turned = at
	}
	if e.now == model.Standstill && (!e.known || e.held != model.Standstill) {
		e.rested = at
	}
	switch {
	case e.now == model.Loaded:
		e.loaded, e.cooled = at, longCooling
	case e.now.Running():
		e.cooled = longCooling
	case e.held.Running() && !e.loaded.IsZero():
		e.cooled, e.loaded = elapsed(e.loaded, at), model.Instant{}
	}
}

// resting is for how long the set has been at rest; longCooling while it turns
// or nothing is known.
func (e *engine) resting(now model.Instant) time.Duration {
	if e.held != model.Standstill {
		return longCooling
	}
	return elapsed(e.rested, now)
}

func (e *engine) reboot() { *e = engine{cooled: longCooling} }

// sinceStart reports whether d has passed since the engine turned by itself.
func (e *engine) sinceStart(d time.Duration, now model.Instant) bool {
	return e.underway || !e.sustained.IsZero() && elapsed(e.sustained, now) >= d
}
