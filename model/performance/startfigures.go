package performance

import (
	"fmt"
	"math"

	"tickover/model"
)

// record writes the start down.
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

// The starter's duty as trade pages give it: 30 s at most, then 2 min of rest.
const (
	longestCrank = 30.0  // s
	leastRest    = 120.0 // s
	dutySource   = "diesel starting guidance: 30 s at most, then 2 min of rest"
)

func (c *start) crankFigures() []model.Figure {
	m, rest := c.crankTime(), number("rest before", "s", c.rest, "no earlier crank in this run")
	crank := m.figure("crank time", "", "s", fixedLimit{})
	duty(&crank, "≤ 30 s", m.hi <= longestCrank, m.lo > longestCrank,
		"cranked too long: let the starter cool")
	if c.unseen && rest.Known {
		rest.Bound = model.AtMost
	}
	duty(&rest, "≥ 120 s", rest.Value >= leastRest && !c.unseen, rest.Value < leastRest,
		"too short: let the starter cool")
	figures := []model.Figure{crank, rest}
	if math.IsNaN(c.self) {
		return append(figures,
			number("time to self-sustained speed", "s", math.NaN(), "the engine did not start"))
	}
	return append(figures, c.selfTime())
}

// duty judges a figure by the starter's duty; what is not known stays so.
func duty(f *model.Figure, limit string, within, outside bool, reason string) {
	if !f.Known {
		return
	}
	f.Limit, f.LimitSource, f.Confidence = limit, dutySource, inPrint
	switch {
	case within:
		f.Verdict = model.Within
	case outside:
		f.Verdict, f.Reason = model.Outside, reason
	default:
		f.Verdict, f.Reason = model.NotDetermined, "the limit is within the range that the "+
			"readings allow"
	}
}

// The reasons why a time of the start is not known.
const (
	noOnset   = "no reading shows when cranking began"
	noRelease = "no battery reading shows how long the starter was engaged"
)

// crankTime is how long the starter pulled the battery down. Speed and oil do not
// show when it let go.
func (c *start) crankTime() measure {
	k := &c.starter
	lo, hi, ok := k.length()
	if !ok {
		return unknown(noRelease)
	}
	m := stretch(lo, hi, k.step)
	m.note = "from the dip of the battery voltage"
	return m
}

// stretch is a time in lo..hi s, open where hi is +Inf.
func stretch(lo, hi, step float64) measure {
	m := measure{known: true, value: (lo + hi) / 2, lo: lo, hi: hi, bound: model.Interval,
		seen: seconds(step)}
	if math.IsInf(hi, 1) {
		m.value, m.bound, m.why = lo, model.AtLeast, noOnset
	}
	return m
}

// onset bounds when the starter was switched on, in s after the vote; early is -Inf
// when no reading bounds it. Where the vote begins, it was on.
func (c *start) onset() (early, late float64) {
	early = math.Inf(-1)
	if k := &c.starter; k.seen {
		early, late = k.earlier, min(0, k.from)
	}
	if x := &c.shaft; x.sure() {
		early, late = max(early, x.earlier-shaftLag), min(late, x.at)
	}
	return early, late
}

// selfTime is when the engine turned faster than any starter turns it.
func (c *start) selfTime() model.Figure {
	const name = "time to self-sustained speed"
	if c.fast.sure() {
		return c.since(&c.fast, name)
	}
	early, _ := c.onset()
	if math.IsInf(early, -1) {
		return model.NotKnown(name, "", "s", noOnset)
	}
	m := stretch(0, max(0, c.self-early), 0)
	m.note = "from the engine state, which follows it"
	return m.figure(name, "", "s", fixedLimit{})
}

func (c *start) batteryFigures(r model.Rating) []model.Figure {
	const none = "no battery readings at that time"
	of := func(t *tally, v float64) float64 {
		if t.n == 0 {
			return math.NaN()
		}
		return v
	}
	k := &c.starter
	lowest := number("battery lowest", "V", of(&k.during, k.during.lo), none)
	lowest.Bound, lowest.Seen = model.AtMost, seconds(k.step)
	figures := []model.Figure{
		number("battery before", "V", of(&k.before, k.before.mean()), none), lowest,
		c.loadVolts(r,
			number("battery mean while cranking", "V", of(&k.during, k.during.mean()), none)),
		number("battery recovered", "V", of(&c.recovered, c.recovered.hi), none),
	}
	if math.IsNaN(c.self) {
		return figures
	}
	charge := number("charge voltage", "V", of(&c.charge, c.charge.mean()),
		"no battery readings 30 to 60 s after the start")
	if blocks := math.Round(r.Battery / 12); blocks >= 1 && charge.Known {
		limit := 13.2 * blocks
		charge.Limit, charge.LimitSource, charge.Confidence = "≥ "+short(
			limit)+" V", "common practice, 13.2 V per 12 V block", "common practice"
		charge.Verdict = model.Within
		if charge.Value < limit {
			charge.Verdict, charge.Reason = model.Outside, "the battery is not charging"
		}
	}
	return append(figures, charge)
}

// since writes a crossing down as an interval after the crank began.
func (c *start) since(x *crossing, name string) model.Figure {
	switch {
	case !x.any:
		return model.NotKnown(name, "", "s", "no readings during the start")
	case !x.seen:
		_, late := c.onset()
		return model.NotKnown(name, "", "s",
			fmt.Sprintf("not reached within %s s", short(x.last-late)))
	case x.standing:
		return model.NotKnown(name, "", "s", "already above this level before the crank")
	case !x.under:
		return model.NotKnown(name, "", "s", "already above this level at the first reading")
	}
	early, late := c.onset()
	lo, hi := max(0, x.earlier-late), max(0, x.at-early)
	if lo == 0 && math.IsInf(hi, 1) {
		return model.NotKnown(name, "", "s", noOnset)
	}
	return stretch(lo, hi, x.at-x.last).figure(name, "", "s", fixedLimit{})
}

// meterBehind is how much older in s than its reading what a power meter shows may be:
// it renews its registers now and then, as means over some time. Nothing is learned
// of that; 1 s is assumed (common practice, renewal and average together).
const meterBehind = 1.0

// buildTime is when the voltage was there: as late as it was read, and earlier by what
// the meter is behind.
func (c *start) buildTime() model.Figure {
	built := c.voltage
	built.earlier -= meterBehind
	f := c.since(&built, "time to 90 % of rated voltage")
	if f.Known {
		f.Note = fmt.Sprintf("the meter may show it %s s late", short(meterBehind))
	}
	return f
}

func (c *start) oilFigures() []model.Figure {
	top := math.NaN()
	if c.oil.any {
		top = c.oilPeak / 1e5
	}
	figures := []model.Figure{
		c.since(&c.oil, "time to first oil pressure"),
		number("oil pressure peak", "bar", top, "no oil pressure readings"),
	}
	if !math.IsNaN(c.self) {
		figures = append(figures, c.since(&c.oilUp, "time to 1 bar of oil pressure"))
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
	over := number("frequency overshoot", "%", 100*(c.top-stable)/r.Frequency,
		"no stable frequency to compare with")
	overV := number("voltage overshoot", "%", 100*(c.topVoltage-c.stableV.mean),
		"no stable voltage to compare with")
	if !c.stableV.found {
		overV = model.NotKnown(overV.Name, "", "%", "no stable voltage to compare with")
	}
	over.Bound, overV.Bound = model.AtLeast, model.AtLeast
	if r.Frequency <= 0 {
		over = model.NotKnown(over.Name, "", "%", "no rated frequency is given")
	}
	return []model.Figure{c.buildTime(), over, overV,
		number("first stable frequency", "Hz", stable, "never stable for 10 s"),
		number("first stable voltage", "V", stableV, "never stable for 10 s")}
}
