package performance

import (
	"math"

	"tickover/model"
)

// starter finds in the battery's readings when the starter pulled it down. The
// vote for cranking waits for a second witness; the battery does not.
type starter struct {
	crank          float64 // s by the vote
	before, during tally
	step           float64 // s, the widest between readings
	last           float64 // s of the last reading, NaN: none
	clear          float64 // s of the last reading before the dip
	from, to       float64 // s of the first and the last reading in the dip
	back           float64 // s of the first reading after it
	seen, over     bool
}

// crankDip is how far a starter pulls a 12 V battery down at least, in V; an
// engine's heaters pull less.
const crankDip = 1.2

func newStarter(crank float64) starter {
	return starter{crank: crank, last: math.NaN(), clear: math.NaN()}
}

func (s *starter) add(t, v float64) {
	if gap := t - s.last; t >= -crankLag && gap < 5 {
		s.step = max(s.step, gap)
	}
	s.last = t
	switch {
	case t < -crankLag:
		s.before.add(t, v)
		s.clear = t
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
	rest := s.before.mean()
	switch low := v < rest-crankDip*math.Round(max(rest, 12)/12); {
	case low && !s.seen:
		s.seen, s.from, s.to = true, t, t
		s.during.add(t, v)
	case low && (!s.over || t <= s.crank):
		s.to, s.over = t, false
		s.during.add(t, v)
	case !low && !s.seen:
		s.clear = t
	case !low && !s.over:
		s.over, s.back = true, t
	}
}

// onset bounds when the starter bit, in s after the vote; both 0 when the
// battery does not say.
func (s *starter) onset() (early, late float64) {
	if !s.seen || math.IsNaN(s.clear) {
		return 0, 0
	}
	return s.clear, s.from
}

// begin is the middle of onset.
func (s *starter) begin() float64 {
	early, late := s.onset()
	return (early + late) / 2
}

// length bounds how long it turned; false when the battery does not say.
func (s *starter) length() (lo, hi float64, ok bool) {
	return s.to - s.from, s.back - s.clear, s.seen && s.over && !math.IsNaN(s.clear)
}

// loadVolts judges the mean cranking voltage by the load test's list: a guide,
// for what a starter draws is not standardised.
func (c *start) loadVolts(r model.Rating, f model.Figure) model.Figure {
	blocks := math.Round(r.Battery / 12)
	if !f.Known || blocks < 1 || math.IsNaN(c.cold) {
		return f
	}
	limit := model.LoadVolts(c.cold) * blocks
	f.Limit, f.Confidence = "≥ "+short(limit)+" V", seen
	f.LimitSource = "guide from battery test pages: 15 s load test at " + short(math.Round(c.cold)) + " °C"
	f.Verdict = model.Within
	if f.Value < limit {
		f.Verdict, f.Reason = model.Outside, "the battery or its leads are weak, or the engine is stiff"
	}
	return f
}
