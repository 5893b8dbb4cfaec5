package performance

import (
	"fmt"
	"math"

	"tickover/model"
)

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

// The starter's duty as trade pages give it: 30 s at most, then 2 min of rest.
const (
	longestCrank = 30.0  // s
	leastRest    = 120.0 // s
	dutySource   = "diesel starting guidance: 30 s at most, then 2 min of rest"
)

func (c *start) crankFigures() []model.Figure {
	crank, rest := c.crankTime(), number("rest before", "s", c.rest, "no crank before it in this run")
	duty(&crank, "≤ 30 s", crank.High <= longestCrank, crank.Low > longestCrank, "the starter needs rest")
	duty(&rest, "≥ 120 s", rest.Value >= leastRest, rest.Value < leastRest, "the starter is commonly given longer to cool")
	figures := []model.Figure{crank, rest}
	if math.IsNaN(c.self) {
		return append(figures, number("time to self-sustained speed", "s", math.NaN(), "it did not start"))
	}
	return append(figures, c.selfTime())
}

// duty judges a figure by the starter's duty; what is not known stays so.
func duty(f *model.Figure, limit string, within, outside bool, reason string) {
	if !f.Known {
		return
	}
	f.Limit, f.LimitSource, f.Confidence = limit, dutySource, seen
	switch {
	case within:
		f.Verdict = model.Within
	case outside:
		f.Verdict, f.Reason = model.Outside, reason
	default:
		f.Verdict, f.Reason = model.NotDetermined, "the limit lies within what the readings leave open"
	}
}

// crankTime is how long the starter pulled the battery down; without battery
// readings how long the vote said so.
func (c *start) crankTime() model.Figure {
	const name = "crank time"
	k := &c.starter
	if lo, hi, ok := k.length(); ok {
		return model.Figure{Name: name, Value: (lo + hi) / 2, Unit: "s", Known: true, Bound: model.Interval, Low: lo, High: hi,
			Seen: seconds(k.step), Note: "from the battery's dip, between the readings that bound it"}
	}
	f := number(name, "s", c.crank, "its end was not seen")
	f.Low, f.High, f.Note = f.Value, f.Value, "by the vote of all signals, which may lag by 2 s"
	return f
}

// selfTime is when the engine turned faster than any starter turns it.
func (c *start) selfTime() model.Figure {
	const name = "time to self-sustained speed"
	if c.fast.seen && c.fast.under && !c.fast.standing {
		return c.since(&c.fast, name)
	}
	f := number(name, "s", c.self-c.starter.begin(), "")
	f.Note = "by the vote of all signals, which may lag by 2 s"
	return f
}

func (c *start) batteryFigures(r model.Rating) []model.Figure {
	const none = "no battery readings at the time"
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
		c.loadVolts(r, number("battery mean while cranking", "V", of(&k.during, k.during.mean()), none)),
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

// since writes a crossing down as an interval after the crank began.
func (c *start) since(x *crossing, name string) model.Figure {
	switch {
	case !x.any:
		return model.NotKnown(name, "", "s", "no readings during the start")
	case !x.seen:
		return model.NotKnown(name, "", "s", fmt.Sprintf("not reached in the %s s watched", short(x.last-c.starter.begin())))
	case x.standing:
		return model.NotKnown(name, "", "s", "it still stood from before this crank")
	case !x.under:
		return model.NotKnown(name, "", "s", "it was there at the first reading")
	}
	early, late := c.starter.onset()
	f := model.Figure{Name: name, Unit: "s", Known: true, Bound: model.Interval, Low: max(0, x.last-late), High: max(0, x.at-early),
		Verdict: model.NoLimit, Seen: seconds(x.at - x.last)}
	f.Value = (f.Low + f.High) / 2
	return f
}

func (c *start) oilFigures() []model.Figure {
	top := math.NaN()
	if c.oil.any {
		top = c.oilPeak / 1e5
	}
	figures := []model.Figure{c.since(&c.oil, "time to first oil pressure"), number("oil pressure peak", "bar", top, "no oil pressure readings")}
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
	over := number("frequency overshoot", "%", 100*(c.top-stable)/r.Frequency, "there is no stable frequency to refer it to")
	overV := number("voltage overshoot", "%", 100*(c.topVoltage-c.stableV.mean), "there is no stable voltage to refer it to")
	if !c.stableV.found {
		overV = model.NotKnown(overV.Name, "", "%", "there is no stable voltage to refer it to")
	}
	over.Bound, overV.Bound = model.AtLeast, model.AtLeast
	if r.Frequency <= 0 {
		over = model.NotKnown(over.Name, "", "%", "no rated frequency is given")
	}
	return []model.Figure{c.since(&c.voltage, "time to 90 % of rated voltage"), over, overV,
		number("first stable frequency", "Hz", stable, "it held still for 10 s nowhere in the time watched"),
		number("first stable voltage", "V", stableV, "it held still for 10 s nowhere in the time watched")}
}
