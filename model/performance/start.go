package performance

import (
	"fmt"
	"math"

	"tickover/model"
)

const (
	watchBefore  = 30.0  // s before a crank that the battery is averaged over
	watchAfter   = 180.0 // s after it that the start is followed
	oilSeen      = 0.3e5 // Pa: there is pressure
	oilBuilt     = 1.0e5 // Pa: there is enough to run on
	voltageBuilt = 0.9   // of rated
	// crankLag is how many s the vote for cranking may come after the starter
	// bit: readings in it may be the lowest, but are not "before".
	crankLag   = 3.0
	stableOver = 10.0 // s over which frequency and voltage must hold still
)

// crossing is when a value first came over a level: between two readings.
type crossing struct {
	last, at float64
	seen     bool
	any      bool // there were readings at all
	already  bool // over at the first reading
}

func (c *crossing) add(t float64, over bool) {
	switch {
	case c.seen:
		return
	case over:
		c.seen, c.at = true, t
		c.already = !c.any
	default:
		c.last = t
	}
	c.any = true
}

// start follows one crank.
type start struct {
	from                model.Instant
	crank, rest         float64 // s; rest NaN: no crank before
	until               float64 // s after from: the next crank
	self, rated         float64 // s after from; NaN: not reached
	before, during      tally   // battery
	lowest              float64 // V, +Inf: none seen
	recovered, charge   tally
	oil, oilUp, voltage crossing
	oilPeak             float64
	top, topVoltage     float64 // highest frequency, Hz, and voltage, of rated
	stable, stableV     window
	step                float64 // s between readings of the battery
	lastBattery         float64
}

// window looks for the first stretch in which a value held still.
type window struct {
	since, lo, hi, sum float64
	n                  int
	found              bool
	mean               float64
	at                 float64
}

func (w *window) add(t, v, tolerance float64) {
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

// cranks makes a watch for every crank of the run.
func cranks(run model.Run) []*start {
	var list []*start
	var lastEnd model.Instant
	for i, s := range run.States {
		if s.State != model.Cranking {
			continue
		}
		c := &start{from: s.From, crank: since(s.To, s.From), rest: math.NaN(), until: watchAfter, self: math.NaN(), rated: math.NaN(), lowest: math.Inf(1)}
		if !lastEnd.IsZero() {
			c.rest = since(s.From, lastEnd)
		}
		lastEnd = s.To
		for _, next := range run.States[i+1:] {
			at := since(next.From, s.From)
			if next.State == model.Cranking {
				c.until = min(watchAfter, at)
				break
			}
			if next.State.Running() && math.IsNaN(c.self) {
				c.self = at
			}
			if atRated(next.State) && math.IsNaN(c.rated) {
				c.rated = at
			}
		}
		list = append(list, c)
	}
	return list
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
	if !(at >= -watchBefore && at <= c.until) {
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
		case model.VoltageL1N, model.VoltageL2N, model.VoltageL3N:
			volts, n = volts+s.Value*math.Sqrt(3), n+1
		}
	}
	if n > 0 && at >= 0 && r.Voltage > 0 {
		c.build(at, volts/n/r.Voltage)
	}
}

func (c *start) battery(t, v float64) {
	if c.lastBattery != 0 {
		c.step = max(c.step, min(t-c.lastBattery, 5))
	}
	c.lastBattery = t
	if t >= -crankLag && t <= c.crank {
		c.lowest = min(c.lowest, v)
	}
	switch {
	case t < -crankLag:
		c.before.add(t, v)
	case t < 0:
	case t <= c.crank:
		c.during.add(t, v)
	case t <= c.crank+5:
		c.recovered.add(t, v)
	}
	if t >= c.self+30 && t <= c.self+60 {
		c.charge.add(t, v)
	}
}

func (c *start) pressure(t, v float64) {
	if t < 0 {
		return
	}
	c.oil.add(t, v >= oilSeen)
	c.oilUp.add(t, v >= oilBuilt)
	c.oilPeak = max(c.oilPeak, v)
}

func (c *start) frequency(t, v float64, r model.Rating) {
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

// record writes the watch down.
func (c *start) record(r model.Rating) model.StartRecord {
	s := model.StartRecord{At: c.from, Started: !math.IsNaN(c.self)}
	s.Figures = append(s.Figures, c.crankFigures()...)
	s.Figures = append(s.Figures, c.batteryFigures(r)...)
	s.Figures = append(s.Figures, c.oilFigures()...)
	if s.Started {
		s.Figures = append(s.Figures, c.runUpFigures(r)...)
	}
	return s
}

// number makes a figure without a limit; NaN makes it not known.
func number(name, unit string, v float64, why string) model.Figure {
	if math.IsNaN(v) {
		return model.NotKnown(name, "", unit, why)
	}
	return model.Figure{Name: name, Value: v, Unit: unit, Known: true, Verdict: model.NoLimit}
}

func (c *start) crankFigures() []model.Figure {
	crank := number("crank time", "s", c.crank, "its end was not seen")
	crank.Seen = seconds(c.step)
	rest := number("rest before", "s", c.rest, "no crank before it in this run")
	if !math.IsNaN(c.rest) && c.rest < 120 {
		rest.Note = "a starter is commonly given 2 minutes of rest (common practice)"
	}
	return []model.Figure{crank, rest, number("time to self-sustained speed", "s", c.self, "it did not start")}
}

func (c *start) batteryFigures(r model.Rating) []model.Figure {
	const none = "no battery readings at the time"
	of := func(t *tally, v float64) float64 {
		if t.n == 0 {
			return math.NaN()
		}
		return v
	}
	lowest := number("battery lowest", "V", of(&c.during, c.lowest), none)
	lowest.Bound, lowest.Seen = model.AtLeast, seconds(c.step)
	lowest.Note = "it may have been lower between readings"
	figures := []model.Figure{
		number("battery before", "V", of(&c.before, c.before.mean()), none), lowest,
		number("battery mean while cranking", "V", of(&c.during, c.during.mean()), none),
		number("battery recovered", "V", of(&c.recovered, c.recovered.hi), none),
	}
	if math.IsNaN(c.self) {
		return figures
	}
	charge := number("charge voltage", "V", of(&c.charge, c.charge.mean()), "no battery readings 30 to 60 s after it ran")
	if blocks := math.Round(r.Battery / 12); blocks >= 1 && charge.Known {
		limit := 13.2 * blocks
		charge.Limit, charge.LimitSource, charge.Confidence = "≥ "+short(limit)+" V", "common practice, 13.2 V a 12 V block", "common practice"
		charge.Verdict = model.Within
		if charge.Value < limit {
			charge.Verdict, charge.Reason = model.Outside, "the battery is not being charged"
		}
	}
	return append(figures, charge)
}

// first writes a crossing down as an interval.
func (c crossing) figure(name string) model.Figure {
	switch {
	case !c.any:
		return model.NotKnown(name, "", "s", "no readings during the start")
	case !c.seen:
		return model.NotKnown(name, "", "s", fmt.Sprintf("not reached in the %s s watched", short(c.last)))
	}
	f := model.Figure{Name: name, Value: c.at, Unit: "s", Known: true, Bound: model.Interval, Low: min(c.last, c.at), High: c.at,
		Verdict: model.NoLimit, Seen: seconds(c.at - c.last)}
	if c.already {
		f.Note = "it was there at the first reading of the crank"
	}
	return f
}

func (c *start) oilFigures() []model.Figure {
	top := math.NaN()
	if c.oil.any {
		top = c.oilPeak / 1e5
	}
	figures := []model.Figure{c.oil.figure("time to first oil pressure"), number("oil pressure peak", "bar", top, "no oil pressure readings")}
	if !math.IsNaN(c.self) {
		figures = append(figures, c.oilUp.figure("time to 1 bar of oil pressure"))
	}
	return figures
}

func (c *start) runUpFigures(r model.Rating) []model.Figure {
	stableV := math.NaN()
	if c.stableV.found {
		stableV = c.stableV.mean * r.PhaseVoltage()
	}
	stable := math.NaN()
	if c.stable.found {
		stable = c.stable.mean
	}
	over := number("frequency overshoot", "%", 100*(c.top-stable)/r.Frequency, "there is no stable frequency to refer it to")
	overV := number("voltage overshoot", "%", 100*(c.topVoltage-c.stableV.mean), "there is no stable voltage to refer it to")
	if !c.stableV.found {
		overV = model.NotKnown(overV.Name, "", "%", "there is no stable voltage to refer it to")
	}
	over.Bound, overV.Bound = model.AtLeast, model.AtLeast
	if r.Frequency <= 0 {
		over = model.NotKnown(over.Name, "", "%", "no rated frequency is given")
	}
	return []model.Figure{c.voltage.figure("time to 90 % of rated voltage"), over, overV,
		number("first stable frequency", "Hz", stable, "it held still for 10 s nowhere in the time watched"),
		number("first stable voltage", "V", stableV, "it held still for 10 s nowhere in the time watched")}
}
