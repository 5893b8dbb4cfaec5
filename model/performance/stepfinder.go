package performance

import (
	"math"

	"tickover/model"
)

const (
	recent    = 5.0  // s: the level a change is seen against
	lookBack  = 30.0 // s before a step its "before" is averaged over
	lookAhead = 45.0 // s after a step it is watched for
)

// loads is the power of the three phases and their sum, W; NaN where the meter
// does not say.
type loads [4]float64

var loadPoints = [4]model.PointID{model.PowerActiveL1, model.PowerActiveL2, model.PowerActiveL3,
	model.PowerActive}

// away reports whether any load differs by a step's worth.
func (p loads) away(q loads, threshold float64) bool {
	for i := range p {
		if math.Abs(p[i]-q[i]) >= threshold { // false for NaN
			return true
		}
	}
	return false
}

// stepFinder finds load steps: a change of at least threshold against the level of
// the last seconds, followed until the load changes again or lookAhead passes.
type stepFinder struct {
	tracks    *tracks
	threshold float64 // W
	quiet     float64 // s since when nothing was changed
	rated     bool    // the engine is at rated speed
	leave     float64 // s until which its readings count before it leaves it
	last      float64 // s of the last load reading
	gap       float64 // s between the last two
	open      bool
	jump      jump
	settled   float64 // s when the load was steady after the step; 0 not yet
	found     func(foundStep)
}

// found is a step with where to look for what it did.
type foundStep struct {
	jump
	quiet   float64 // from when on "before" may be averaged
	settled float64 // from when the load was steady after it; 0: never
}

// enter notes that the engine is at rated speed, and that readings count until leave.
func (f *stepFinder) enter(rated bool, leave float64) {
	if f.rated && !rated {
		f.finish()
	}
	if rated && !f.rated {
		f.quiet = f.tracks.now + recent
	}
	f.rated, f.leave = rated, leave
}

// level averages each load from from to to; false with fewer than two readings, or
// with none where they come so slowly that a second one may be of another load.
func (f *stepFinder) level(from, to float64) (p loads, ok bool) {
	least := 2
	if f.gap > recent/2 {
		least = 1
	}
	for i, id := range loadPoints {
		r := f.tracks.track(id).between(from, to)
		p[i] = mean(r)
		ok = ok || len(r) >= least
	}
	return p, ok
}

// latest returns the loads read last, all within the last scan.
func (f *stepFinder) latest() (p loads, at float64, ok bool) {
	at = f.last
	for i, id := range loadPoints {
		p[i] = math.NaN()
		k := f.tracks.track(id)
		if k == nil || len(k.r) == 0 {
			continue
		}
		if r := k.r[len(k.r)-1]; r.t > f.last {
			p[i], at, ok = r.v, max(at, r.t), true
		}
	}
	return p, at, ok
}

// see looks at what the scan just posted brought. It reports whether a step
// began.
func (f *stepFinder) see() (began bool) {
	p, at, ok := f.latest()
	if !ok {
		return false
	}
	before := f.last
	f.last, f.gap = at, at-before
	if !f.rated || at > f.leave {
		f.finish()
		return false
	}
	if f.open {
		if f.settled == 0 {
			f.settle(at)
			return false
		}
		if at > f.jump.first+lookAhead {
			f.finish()
		}
	}
	since := max(f.quiet, before-recent)
	if f.open {
		since = max(since, f.settled)
	}
	level, ok := f.level(since, before)
	if !ok || !p.away(level, f.threshold) {
		return false
	}
	f.finish()
	f.open, f.settled = true, 0
	f.jump = jump{before: before, first: at}
	return true
}

// unsettled reports whether the load still changes after a step.
func (f *stepFinder) unsettled() bool { return f.open && f.settled == 0 }

// settle looks whether the load is steady again: three readings over at least
// 2 s within half a threshold of each other.
func (f *stepFinder) settle(at float64) {
	steady := true
	since := at
	for _, id := range loadPoints {
		r := f.tracks.track(id).between(f.jump.first, at)
		if len(r) == 0 {
			continue
		}
		n := len(r) - 1
		for n >= 0 && (len(r)-n < 3 || r[len(r)-1].t-r[n].t < 2) {
			n--
		}
		if n < 0 {
			return
		}
		lo, hi := extent(r[n:])
		steady = steady && hi-lo < f.threshold/2
		since = min(since, r[n].t)
	}
	if steady {
		f.settled = since
	} else if at > f.jump.first+lookAhead {
		f.finish()
		f.quiet = at
	}
}

// finish hands on the step being followed, if any.
func (f *stepFinder) finish() {
	if !f.open {
		return
	}
	f.open = false
	f.jump.end = min(f.jump.first+lookAhead, f.lastBefore(), f.leave)
	step := foundStep{jump: f.jump, quiet: f.quiet, settled: f.settled}
	f.quiet = max(f.jump.first, f.settled)
	if step.end > step.first {
		f.found(step)
	}
}

// lastBefore is when the last load reading before the newest one came: the
// newest may already belong to the next step.
func (f *stepFinder) lastBefore() float64 {
	latest := 0.0
	for _, id := range loadPoints {
		if r := f.tracks.track(id).between(f.jump.first, f.last); len(r) > 1 {
			latest = max(latest, r[len(r)-2].t)
		}
	}
	return latest
}

// reset forgets what came before a break in the record.
func (f *stepFinder) reset() {
	f.finish()
	f.quiet, f.last = f.tracks.now, f.tracks.now
}
