package performance

import (
	"math"

	"tickover/model"
)

// starter finds in the battery's readings when the starter pulled it down. The
// vote for cranking waits for a second witness; the battery does not.
type starter struct {
	crank          float64 // s by the vote
	lead           float64 // s before the vote that may belong to the crank
	before, during tally
	step           float64 // s, the widest between readings
	last           float64 // s of the last reading, NaN: none
	clear, earlier float64 // s of the last reading before the dip, and of the one before it
	from, held, to float64 // s of the first, the last but one and the last reading in the dip
	back           float64 // s of the first reading after it
	seen, over     bool
}

const (
	// crankDip is how far a starter pulls a 12 V battery down at least, in V; an
	// engine's heaters pull less.
	crankDip = 1.2
	// restAtMost is the most that a 12 V battery rests at, in V: what it shows above
	// that soon after charging does not come back after a crank (common practice).
	restAtMost = 12.8
	// comesBack is in how many s a battery has left the dip after the starter let go.
	comesBack = 0.2
)

func newStarter(crank, lead float64) starter {
	return starter{crank: crank, lead: lead, last: math.NaN(), clear: math.NaN(),
		earlier: math.Inf(-1)}
}

func (s *starter) add(t, v float64) {
	if gap := t - s.last; t >= -s.lead && gap < 5 {
		s.step = max(s.step, gap)
	}
	s.last = t
	switch {
	case t < -s.lead:
		s.before.add(t, v)
		s.rested(t)
		return
	case t > s.crank+5:
		return
	}
	if s.before.n == 0 {
		// No rest voltage was seen: all there is are readings while it was voted.
		if t >= 0 && t <= s.crank {
			s.during.add(t, v)
		}
		return
	}
	blocks := math.Round(max(s.before.mean(), 12) / 12)
	rest := min(s.before.mean(), restAtMost*blocks)
	switch low := v < rest-crankDip*blocks; {
	case low && !s.seen:
		s.seen, s.from, s.held, s.to = true, t, t, t
		s.during.add(t, v)
	case low && (!s.over || t <= s.crank):
		s.held, s.to, s.over = s.to, t, false
		s.during.add(t, v)
	case !low && !s.seen:
		s.rested(t)
	case !low && !s.over:
		s.over, s.back = true, t
	}
}

func (s *starter) rested(t float64) {
	if !math.IsNaN(s.clear) {
		s.earlier = s.clear
	}
	s.clear = t
}

// length bounds how long the starter turned, in s: hi is +Inf when one end was
// not seen. A reading is at most an average over the time since the one before,
// so that the last one without a dip may hold the dip's beginning, and the last
// one in it its end. It returns false when the battery does not show the dip.
func (s *starter) length() (lo, hi float64, ok bool) {
	lo, hi = max(0, s.held-s.from-comesBack), math.Inf(1)
	if s.over {
		hi = s.back - s.earlier
	}
	return lo, hi, s.seen
}

// loadVolts judges the mean cranking voltage by the load test's list: a guide,
// for what a starter draws is not standardised.
func (c *start) loadVolts(r model.Rating, f model.Figure) model.Figure {
	blocks := math.Round(r.Battery / 12)
	if !f.Known || blocks < 1 || math.IsNaN(c.cold) {
		return f
	}
	limit := model.LoadVolts(c.cold) * blocks
	f.Limit, f.Confidence = "≥ "+short(limit)+" V", inPrint
	f.LimitSource = "guide from battery test pages: 15 s load test at " + short(
		math.Round(c.cold)) + " °C"
	f.Verdict = model.Within
	if f.Value < limit {
		f.Verdict, f.Reason = model.Outside, "weak battery, poor battery leads or a stiff engine"
	}
	return f
}
