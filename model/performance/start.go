package performance

import (
	"math"

	"tickover/model"
)

const (
	followBefore = 30.0  // s before a crank that the battery is averaged over
	followAfter  = 180.0 // s after it that the start is followed
	oilSeen      = 0.3e5 // Pa: there is pressure
	oilBuilt     = 1.0e5 // Pa: there is enough to run on
	voltageBuilt = 0.9   // of rated
	selfShare    = 0.28  // of rated speed: above any starter, it runs on its own fuel
	// crankLag is how many s the vote for cranking may come after the starter
	// bit: readings in it may be the lowest, but are not "before".
	crankLag = 3.0
	// unseenLag is how many s a crank that was not seen may have begun before
	// the engine was seen to run.
	unseenLag  = 15.0
	shaftTurns = 0.5 // 1/s, 30 r/min
	// shaftLag is in how many s after it is switched on a starter turns the shaft.
	shaftLag   = 0.3
	stableOver = 10.0 // s over which frequency and voltage must hold still
)

// crossing is when a value came over a level in the time from lead s before the
// crank: between two readings. What was over already is no crossing.
type crossing struct {
	lead     float64
	earlier  float64 // s of the last but one reading below
	last, at float64 // s of the last reading below and of the first above
	seen     bool
	under    bool // it was seen below the level
	standing bool // it was over the level before the crank
	any      bool // there were readings since the crank
}

func newCrossing(lead float64) crossing { return crossing{lead: lead, earlier: math.Inf(-1)} }

func (c *crossing) add(t float64, over bool) {
	before := t < -c.lead
	c.any = c.any || !before
	switch {
	case c.seen:
	case over && before:
		c.standing = true
	case over:
		c.seen, c.at = true, t
	default:
		if c.under {
			c.earlier = c.last
		}
		c.last, c.under, c.standing = t, true, false
	}
}

// sure reports whether the crossing itself was seen.
func (c *crossing) sure() bool { return c.seen && c.under && !c.standing }

// start follows one crank.
type start struct {
	from                model.Instant
	unseen              bool    // the crank itself was not seen: from is when it ran
	crank, rest         float64 // s; rest NaN: no crank before
	until               float64 // s after from: the next crank
	stopped             bool    // it came to standstill after the crank
	self, rated         float64 // s after from by the vote; NaN: not reached
	starter             starter
	recovered, charge   tally    // battery
	shaft, fast         crossing // it turns; it turns by itself
	oil, oilUp, voltage crossing
	oilPeak             float64
	top, topVoltage     float64 // highest frequency, Hz, and voltage, of rated
	stable, stableV     stillness
	cold                float64 // °C of air, else coolant, at the crank; NaN: not read
	air                 bool    // cold is of the air
}

// stillness looks for the first stretch in which a value held still.
type stillness struct {
	since, lo, hi, sum float64
	n                  int
	found              bool
	mean               float64
	at                 float64
}

func (w *stillness) add(t, v, tolerance float64) {
	if w.found {
		return
	}
	if w.n > 0 && t-w.since >= stableOver {
		if w.n >= 3 && w.hi-w.lo <= tolerance {
			w.found, w.mean, w.at = true, w.sum/float64(w.n), t
			return
		}
		w.n = 0
	}
	if w.n == 0 {
		w.since, w.lo, w.hi, w.sum = t, v, v, 0
	}
	w.n++
	w.lo, w.hi, w.sum = min(w.lo, v), max(w.hi, v), w.sum+v
}

// cranks returns one start for every crank of the run. An engine that runs and stood
// before was cranked, seen or not; a crank that came to nothing has no part in it.
func cranks(run model.Run) []*start {
	var list []*start
	var c *start // the crank that has not come to its end yet
	var lastEnd model.Instant
	known := model.EngineUnknown
	for _, s := range run.States {
		stood := known == model.Standstill
		if s.State != model.EngineUnknown {
			known = s.State
		}
		unseen := s.State.Running() && stood
		switch {
		case s.State == model.Cranking || unseen:
			if c != nil {
				c.until = min(c.until, since(s.From, c.from))
			}
			c = newStart(s, unseen)
			if !lastEnd.IsZero() {
				c.rest = since(s.From, lastEnd)
			}
			list = append(list, c)
			lastEnd = s.From
			if !unseen {
				lastEnd = s.To
			}
		case s.State == model.Standstill && c != nil:
			c.stopped = true
		}
		if c != nil && !c.stopped {
			c.reach(s)
		}
	}
	return list
}

func newStart(s model.StateSpan, unseen bool) *start {
	lead, crank := crankLag, since(s.To, s.From)
	if unseen {
		lead, crank = unseenLag, 0
	}
	c := &start{from: s.From, unseen: unseen, crank: crank, until: followAfter,
		rest: math.NaN(), self: math.NaN(), rated: math.NaN(), cold: math.NaN()}
	c.starter = newStarter(crank, lead)
	for _, x := range []*crossing{&c.shaft, &c.fast, &c.oil, &c.oilUp, &c.voltage} {
		*x = newCrossing(lead)
	}
	return c
}

// reach notes when the engine first ran by itself and was at rated speed.
func (c *start) reach(s model.StateSpan) {
	at := since(s.From, c.from)
	if s.State.Running() && math.IsNaN(c.self) {
		c.self = at
	}
	if s.State.AtRatedSpeed() && math.IsNaN(c.rated) {
		c.rated = at
	}
}

// since returns a-b in s, NaN when the clocks do not say.
func since(a, b model.Instant) float64 {
	d, ok := a.Sub(b)
	if !ok || a.IsZero() || b.IsZero() {
		return math.NaN()
	}
	return d.Seconds()
}

// see takes a scan in.
func (c *start) see(scan *model.Scan, r model.Rating) {
	at := since(scan.At, c.from)
	if !(at >= -followBefore && at <= c.until) {
		return
	}
	volts, n := 0.0, 0.0
	for i := range scan.Samples {
		s := &scan.Samples[i]
		if s.Quality != model.Good {
			continue
		}
		t := at + s.Lag.Seconds()
		switch s.Point {
		case model.BatteryVoltage:
			c.battery(t, s.Value)
		case model.OilPressure:
			c.pressure(t, s.Value)
		case model.FrequencyPoint:
			c.frequency(t, s.Value, r)
		case model.SpeedPoint:
			c.shaft.add(t, s.Value >= shaftTurns)
			if rated := r.Speed(); rated > 0 {
				c.fast.add(t, s.Value >= selfShare*rated)
			}
		case model.VoltageL1N, model.VoltageL2N, model.VoltageL3N:
			volts, n = volts+s.Value*math.Sqrt(3), n+1
		case model.AmbientTemperature, model.CoolantTemperature:
			if air := s.Point == model.AmbientTemperature; t <= 0 && (air || !c.air) {
				c.cold, c.air = s.Value, air
			}
		}
	}
	if n > 0 && r.Voltage > 0 {
		c.build(at, volts/n/r.Voltage)
	}
}

func (c *start) battery(t, v float64) {
	c.starter.add(t, v)
	if t > c.crank && t <= c.crank+5 {
		c.recovered.add(t, v)
	}
	if t >= c.self+30 && t <= c.self+60 {
		c.charge.add(t, v)
	}
}

func (c *start) pressure(t, v float64) {
	c.oil.add(t, v >= oilSeen)
	c.oilUp.add(t, v >= oilBuilt)
	if t >= -crankLag {
		c.oilPeak = max(c.oilPeak, v)
	}
}

func (c *start) frequency(t, v float64, r model.Rating) {
	if r.Speed() <= 0 && v > 0 { // without voltage a meter shows no frequency
		c.fast.add(t, r.Frequency > 0 && v >= selfShare*r.Frequency)
	}
	if t >= c.self && t <= c.rated+30 {
		c.top = max(c.top, v)
	}
	if t >= c.rated {
		c.stable.add(t, v, 0.01*r.Frequency)
	}
}

func (c *start) build(t, ratio float64) {
	c.voltage.add(t, ratio >= voltageBuilt)
	if t >= c.self && t <= c.rated+30 {
		c.topVoltage = max(c.topVoltage, ratio)
	}
	if t >= c.rated {
		c.stableV.add(t, ratio, 0.01)
	}
}
