package performance

import (
	"math"

	"tickover/model"
	"tickover/model/steady"
)

const (
	settleTime = 10.0 // s after a change before a steady span begins
	shortest   = 20.0 // s below which a span says nothing
	// s that readings wait before they count, so that a step can still throw them out, at least
	holdBack  = 3.0
	swingOver = 60.0 // s over which the width of the frequency's swing is taken
	beatOver  = 10.0 // s over which the voltage's modulation is taken
)

// tally sums up one point over a span.
type tally struct {
	n                  int
	lo, hi             float64
	t, v, tt, tv, last float64 // sums, t from the start of the span
}

func (a *tally) add(t, v float64) {
	if a.n == 0 {
		a.lo, a.hi = v, v
	}
	a.n++
	a.lo, a.hi, a.last = min(a.lo, v), max(a.hi, v), v
	a.t, a.v, a.tt, a.tv = a.t+t, a.v+v, a.tt+t*t, a.tv+t*v
}

func (a *tally) mean() float64 { return a.v / float64(a.n) }

func (a *tally) spread() model.Spread {
	s := model.Spread{Mean: a.mean(), Min: a.lo, Max: a.hi, Count: a.n}
	n := float64(a.n)
	if d := n*a.tt - a.t*a.t; d > 1e-9*n*a.tt {
		s.Slope = (n*a.tv - a.t*a.v) / d
	}
	return s
}

// swing is the largest width of a value over windows of a fixed length.
type swing struct {
	over, since, lo, hi float64
	widest              float64 // hi-lo
	relative            float64 // 2(hi-lo)/(hi+lo)
	windows             int     // full ones
}

func (s *swing) add(t, v float64) {
	if s.since == 0 || t-s.since >= s.over {
		s.close(s.since != 0)
		s.since, s.lo, s.hi = t, v, v
	}
	s.lo, s.hi = min(s.lo, v), max(s.hi, v)
}

func (s *swing) close(full bool) {
	if full {
		s.windows++
		s.widest = max(s.widest, s.hi-s.lo)
		if sum := s.hi + s.lo; sum > 0 {
			s.relative = max(s.relative, 2*(s.hi-s.lo)/sum)
		}
	}
}

// steadySpan is a steady span with what only its readings show.
type steadySpan struct {
	model.SteadySpan
	swing  float64 // Hz, widest in any minute
	swings int
	beat   float64 // ratio, voltage modulation of the worst phase
	beats  int
	usual  float64 // s between frequency readings
	rises  []rise  // of temperatures over the last half hour; empty before
	warm   float64 // s into the span when they were in equilibrium; NaN: never
	start  float64
}

// steadySpans gathers the steady spans of a run.
type steadySpans struct {
	tracks *tracks
	queue  []newReading
	freq   swing
	beats  [3]swing
	heat   heat
	start  float64 // s from which readings count
	end    float64 // s of the last reading counted
	open   bool    // readings may count at all
	wait   float64 // s that readings wait: until the load is read again
	found  []steadySpan
}

// see queues the scan's readings and counts those that waited long enough.
func (k *steadySpans) see() {
	if !k.open {
		return
	}
	for _, r := range k.tracks.newReadings {
		// Contacts and enumerations have no mean.
		if r.t >= k.start && r.kind != model.State {
			k.queue = append(k.queue, r)
		}
	}
	k.count(k.tracks.now - k.wait)
	k.drift()
}

// count moves readings up to a time from the queue into the sums.
func (k *steadySpans) count(until float64) {
	n := 0
	for n < len(k.queue) && k.queue[n].t <= until {
		k.tally(k.queue[n])
		n++
	}
	if n > 0 {
		k.queue = k.queue[:copy(k.queue, k.queue[n:])]
	}
}

func (k *steadySpans) tally(r newReading) {
	r.inSpan.add(r.t-k.start, r.v)
	k.end = max(k.end, r.t)
	switch {
	case r.role == frequencyRole:
		k.freq.add(r.t, r.v)
	case r.role >= phaseRole && r.role < phaseRole+6:
		if at := int(r.role - phaseRole); at/3 == k.tracks.voltageSet() {
			k.beats[at%3].add(r.t, r.v)
		}
	case r.role == temperatureRole:
		r.inMinute.add(r.t-k.start, r.v)
	}
	k.heat.pass(r.t)
}

// drift ends a span whose load has crept away without a step.
func (k *steadySpans) drift() {
	power := k.tracks.points[model.PowerActive]
	if power == nil || power.inSpan.n < 10 {
		return
	}
	if a := &power.inSpan; math.Abs(a.last-a.mean()) > 2*steady.StepThreshold(k.tracks.rating) {
		k.end = max(k.end, k.start)
		k.disturb(k.end, k.end)
	}
}

// disturb ends the span at until and lets the next begin settleTime after from.
func (k *steadySpans) disturb(until, from float64) {
	if k.open {
		k.count(until - 0.5)
		k.keep()
	}
	k.begin(from + settleTime)
}

// begin starts counting at t.
func (k *steadySpans) begin(t float64) {
	k.open, k.start, k.end, k.queue = true, t, t, k.queue[:0]
	for _, one := range k.tracks.points {
		one.inSpan = tally{}
	}
	k.heat.begin(t)
	k.freq = swing{over: swingOver}
	k.beats = [3]swing{{over: beatOver}, {over: beatOver}, {over: beatOver}}
}

// postpone lets the span begin no sooner than t.
func (k *steadySpans) postpone(t float64) {
	if k.open && k.start < t {
		k.begin(t)
	}
}

// stop ends the span some seconds ago and counts no more.
func (k *steadySpans) stop(until float64) {
	if k.open {
		k.count(until)
		k.keep()
	}
	k.open, k.queue = false, k.queue[:0]
}

// keep stores the span if it is long enough to say something.
func (k *steadySpans) keep() {
	if k.end-k.start < shortest {
		return
	}
	s := steadySpan{
		SteadySpan: model.SteadySpan{From: k.tracks.instant(k.start), To: k.tracks.instant(k.end),
			Points: map[model.PointID]model.Spread{}},
		start: k.start,
	}
	for p, one := range k.tracks.points {
		if one.inSpan.n > 0 {
			s.Points[p] = one.inSpan.spread()
		}
	}
	s.Load = math.NaN()
	if p, ok := s.Points[model.PowerActive]; ok {
		s.Load = p.Mean
	}
	k.measureSwings(&s)
	s.rises, s.warm = k.heat.rises, k.heat.reached
	k.found = append(k.found, s)
}

func (k *steadySpans) measureSwings(s *steadySpan) {
	if f, ok := s.Points[model.FrequencyPoint]; ok && f.Count > 1 {
		s.usual = (k.end - k.start) / float64(f.Count-1)
	}
	// A span shorter than a minute still shows a swing: a narrower look.
	k.freq.close(k.freq.windows == 0 && k.freq.since != 0)
	s.swing, s.swings = k.freq.widest, k.freq.windows
	for i := range k.beats {
		s.beat, s.beats = max(s.beat, k.beats[i].relative), max(s.beats, k.beats[i].windows)
	}
}
