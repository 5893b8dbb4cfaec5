package running

import (
	"time"

	"tickover/model"
)

// doubt holds a verdict back until two points or two scans agree on it.
type doubt struct {
	yes   bool
	known bool
	scans int           // that have asked for the change
	asked model.Instant // the first of them
	at    model.Instant // when the verdict last changed
}

// hear takes votes and returns what holds. A tie changes nothing. A pickup or
// a battery read every few seconds counts at once: the next scan may be
// too late to see a crank twice.
func (d *doubt) hear(p votes, in *inputs) {
	sum := p.sum()
	if sum == 0 || d.known && d.yes == (sum > 0) {
		d.scans = 0
		return
	}
	points, fresh := p.side(in)
	if d.scans == 0 {
		d.asked = in.now
	}
	if fresh > 0 {
		d.scans++
	}
	if points >= 2 || d.scans >= 2 || rare(p, in) {
		*d = doubt{yes: sum > 0, known: true, asked: d.asked, at: in.now}
	}
}

// rare reports whether the points on the winning side are read too seldom
// to wait for another scan.
func rare(p votes, in *inputs) bool {
	sum := p.sum()
	for _, v := range p {
		if v.weight*sum > 0 && in.signals[v.point].interval < 2*time.Second {
			return false
		}
	}
	return true
}

// Times of the decisions.
const (
	unknownAfter = 5 * time.Second  // nothing votes for so long
	settleTime   = 2 * time.Second  // the first scans of all groups come in
	calmTime     = 3 * time.Second  // steady at idle
	runUpAtMost  = 20 * time.Second // then it counts as idling
	catchTime    = 2 * time.Second  // from the starter's end until oil or voltage show that it runs
)

// lag is how long the verdict that changed with this scan was waited for. An
// engine that leaves rated speed did so when the speed began to fall.
func (e *Engine) lag(at model.Instant, next model.EngineState) time.Duration {
	held, known := at.Sub(e.since)
	if known && e.state.AtRatedSpeed() && (next == model.RunningDown || next == model.Idling) {
		if fell := min(e.pace.fell(at), held); fell > 0 {
			return fell
		}
	}
	for _, d := range []doubt{e.turns, e.fires} {
		if d.at == at || next == model.Standstill {
			if waited, same := at.Sub(d.asked); same && known {
				return max(0, min(waited, held))
			}
		}
	}
	return 0
}

func (e *Engine) decide(v view, at model.Instant) model.EngineState {
	if !v.in.any() {
		return e.silent(at)
	}
	e.turns.hear(v.turning, v.in)
	e.fires.hear(v.firing, v.in)
	if e.state == model.EngineUnknown {
		return e.find(v, at)
	}
	if e.turns.known && !e.turns.yes && !e.mayCatch(v, at) {
		return model.Standstill
	}
	if !e.turns.known {
		return e.state
	}
	switch e.state {
	case model.Standstill:
		return e.fromStandstill(v)
	case model.Cranking:
		return e.fromCranking(v)
	case model.RunningUp:
		return e.fromRunningUp(v, at)
	case model.RunningDown:
		return e.fromRunningDown(v)
	}
	return e.fromRunning(v)
}

// mayCatch reports whether the starter let go so lately that an engine that fired
// may not show yet: without a pickup nothing does before oil and voltage come.
func (e *Engine) mayCatch(v view, at model.Instant) bool {
	_, pickup := v.in.get(model.SpeedPoint)
	waited, same := at.Sub(e.turns.asked)
	return e.state == model.Cranking && !pickup && same && waited < catchTime
}

// silent is the state when no signal that could vote is there.
func (e *Engine) silent(at model.Instant) model.EngineState {
	if d, _ := at.Sub(e.first); d < unknownAfter {
		return e.state
	}
	e.turns, e.fires, e.pace = doubt{}, doubt{}, pace{}
	return model.EngineUnknown
}

// find leaves the unknown state, once every group had time to speak.
func (e *Engine) find(v view, at model.Instant) model.EngineState {
	sum := v.turning.sum()
	waited, _ := at.Sub(e.first)
	if waited < settleTime && sum > -decisiveVote && sum < decisiveVote || !e.turns.known {
		return e.state
	}
	switch {
	case !e.turns.yes:
		return model.Standstill
	case v.dip:
		return model.Cranking
	case e.fires.known && e.fires.yes:
		return e.cruise(v)
	case e.before == model.Standstill || e.before == model.Cranking:
		return model.Cranking
	case e.fires.known:
		return model.RunningDown
	}
	return e.state
}

func (e *Engine) fromStandstill(v view) model.EngineState {
	if e.fires.known && e.fires.yes && !v.dip {
		return model.RunningUp
	}
	return model.Cranking
}

func (e *Engine) fromCranking(v view) model.EngineState {
	if e.fires.known && e.fires.yes {
		return model.RunningUp
	}
	return model.Cranking
}

func (e *Engine) fromRunningUp(v view, at model.Instant) model.EngineState {
	held, _ := at.Sub(e.since)
	switch {
	case e.fires.known && !e.fires.yes,
		v.seen && e.pace.sinking(&v) && v.rate < idleAbove && e.pace.falling():
		return model.RunningDown
	case v.seen && v.rate >= ratedAbove:
		return e.atRated(v)
	case e.pace.calm >= calmTime && v.rate >= idleAbove, held > runUpAtMost:
		return model.Idling
	}
	return model.RunningUp
}

func (e *Engine) fromRunning(v view) model.EngineState {
	switch {
	case v.dip && e.fires.known && !e.fires.yes:
		return model.Cranking
	case e.fires.known && !e.fires.yes:
		return model.RunningDown
	case v.seen && e.pace.sinking(&v) && v.rate < idleAbove:
		return model.RunningDown
	case e.pace.sinking(&v) && e.pace.falling():
		// Without fuel or only with less of it looks the same at first. A key
		// that is still on speaks for the speed lever, unless nothing charges
		// the battery any more.
		if key, ok := v.in.get(model.KeyOn); ok && key != 0 && !v.discharges {
			return model.Idling
		}
		return model.RunningDown
	}
	return e.cruise(v)
}

func (e *Engine) fromRunningDown(v view) model.EngineState {
	switch {
	case v.dip:
		return model.Cranking
	case e.fires.known && e.fires.yes && v.seen && v.rate >= ratedAbove:
		return e.atRated(v)
	case e.fires.known && e.fires.yes && v.seen && v.rate >= idleAbove && e.pace.calm >= calmTime:
		return model.Idling
	}
	return model.RunningDown
}

// cruise is the state at self-sustained speed that is not falling.
func (e *Engine) cruise(v view) model.EngineState {
	rated := e.state.AtRatedSpeed()
	switch {
	case !v.seen && e.state.Running():
		return e.state
	case !v.seen:
		return model.Idling
	case v.rate >= ratedAbove, rated && v.rate >= ratedBelow:
		return e.atRated(v)
	case rated && e.pace.calm < calmTime:
		return e.state
	}
	return model.Idling
}

func (e *Engine) atRated(v view) model.EngineState {
	switch {
	case !v.load.known && e.state == model.Loaded, v.load.known && v.load.on:
		return model.Loaded
	}
	return model.Unloaded
}
