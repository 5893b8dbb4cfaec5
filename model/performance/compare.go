package performance

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"tickover/model"
)

// Compare ranks how a later run differed from an earlier one: figures and the
// last start as they are, readings at like load.
func Compare(before, after *model.RunRecord) model.Comparison {
	c := comparison{Comparison: model.Comparison{Before: before.Run.ID, After: after.Run.ID}}
	c.figures("", before.Figures, after.Figures)
	a, okA := lastStart(before)
	b, okB := lastStart(after)
	if okA && okB {
		c.figures("start: ", a.Figures, b.Figures)
	} else {
		c.Open = append(c.Open, "the two runs do not both have a start on record")
	}
	c.readings(before, after)
	slices.SortStableFunc(c.Differences, func(a, b model.Difference) int {
		switch {
		case a.Weight > b.Weight:
			return -1
		case a.Weight < b.Weight:
			return 1
		}
		return strings.Compare(a.What, b.What)
	})
	return c.Comparison
}

type comparison struct{ model.Comparison }

func lastStart(r *model.RunRecord) (model.StartRecord, bool) {
	for _, s := range slices.Backward(r.FirstStart) {
		if s.Started {
			return s, true
		}
	}
	return model.StartRecord{}, false
}

// usual is how far figures of a unit scatter from run to run of a sound set
// (common practice): what counts as one in the ranking.
var scatterOf = map[string]float64{"%": 0.5, "Hz": 0.1, "s": 1, "V": 0.5, "bar": 0.2,
	"L/kWh": 0.02, "K in 30 min": 0.5}

// conduct lists figures of how the set was operated, which are not results.
var conduct = []string{"energy", "time at load", "highest load", "average load",
	"load on one phase", "longest time below", "rest before", "integral against",
	"thermal equilibrium", "rotor heating", "negative-sequence current", "zero-sequence current",
	"current unbalance", "battery before"}

func isConduct(name string) bool {
	return slices.ContainsFunc(conduct, func(d string) bool { return strings.HasPrefix(name, d) })
}

func (c *comparison) figures(prefix string, before, after []model.Figure) {
	for _, a := range before {
		at := slices.IndexFunc(after, func(b model.Figure) bool { return b.Name == a.Name })
		if at < 0 || isConduct(a.Name) {
			continue
		}
		b := after[at]
		switch {
		case a.Known && b.Known:
			c.figure(prefix, a, b)
		case a.Known != b.Known:
			which := c.Before
			if !b.Known {
				which = c.After
			}
			c.Open = append(c.Open,
				fmt.Sprintf("%s%s is not determined in run %s", prefix, a.Name, which))
		}
	}
}

// figure compares two that are known. A verdict that changed outranks all.
func (c *comparison) figure(prefix string, a, b model.Figure) {
	loA, hiA := bounds(a)
	loB, hiB := bounds(b)
	scatter := scatterOf[a.Unit]
	if scatter == 0 {
		scatter = math.Abs(a.Value) / 20
	}
	weight := (max(loB-hiA, loA-hiB, 0)) / max(scatter, 1e-9)
	changed := a.Verdict != b.Verdict && (a.Verdict == model.Outside || b.Verdict == model.Outside)
	if !changed && weight < 0.5 {
		c.Alike++
		return
	}
	d := model.Difference{What: prefix + a.Name, From: a.Value, To: b.Value, Unit: a.Unit,
		Weight: weight}
	if changed {
		d.Weight += 100
	}
	c.Differences = append(c.Differences, withText(d, changed, a, b))
}

// worded writes a difference down.
func withText(d model.Difference, changed bool, a, b model.Figure) model.Difference {
	d.Words = differs(d)
	if oneSided(a) || oneSided(b) {
		d.Words += ", as far as the readings show"
	}
	if changed {
		d.Words += fmt.Sprintf("; %s, was %s (limit %s)", b.Verdict, a.Verdict, b.Limit)
	}
	return d
}

// oneSided reports whether the truth may lie beyond what was read.
func oneSided(f model.Figure) bool { return f.Bound == model.AtLeast || f.Bound == model.AtMost }

func differs(d model.Difference) string {
	lower, higher := "lower", "higher"
	if strings.Contains(d.What, " dip ") { // written as less than zero
		lower, higher = "deeper", "less deep"
	}
	way := higher
	if d.To < d.From {
		way = lower
	}
	by := d.Unit
	if by == "%" {
		by = "percentage points"
	}
	amount := func(v float64, unit string) string {
		return strings.TrimSpace(threeDigits(v) + " " + unit)
	}
	return fmt.Sprintf("%s %s %s: %s, was %s", d.What, amount(math.Abs(d.To-d.From), by), way,
		amount(d.To, d.Unit), amount(d.From, d.Unit))
}

// three writes a number with about three digits that mean something.
func threeDigits(v float64) string {
	switch a := math.Abs(v); {
	case a >= 100:
		return short(math.Round(v))
	case a >= 10:
		return short(math.Round(v*10) / 10)
	}
	return short(math.Round(v*100) / 100)
}

func bounds(f model.Figure) (lo, hi float64) {
	if f.Bound == model.Interval {
		return f.Low, f.High
	}
	return f.Value - f.Uncertainty, f.Value + f.Uncertainty
}

// compared are the readings compared at like load, with what is usual.
var compared = []struct {
	point   model.PointID
	words   string
	scatter float64 // canonical unit
	hot     bool    // only at like coolant temperature
}{
	{model.OilPressure, "oil pressure", 0.2e5, true},
	{model.CoolantTemperature, "coolant", 5, false},
	{model.OilTemperature, "oil temperature", 5, false},
	{model.ExhaustTemperature, "exhaust temperature", 20, false},
	{model.FrequencyPoint, "frequency", 0.1, false},
	{model.VoltageL1N, "voltage L1", 1, false},
	{model.VoltageL2N, "voltage L2", 1, false},
	{model.VoltageL3N, "voltage L3", 1, false},
	{model.BatteryVoltage, "charge voltage", 0.2, false},
}

// readings compares the means of the steady spans at the nearest load, of each
// reading the pair that lies furthest apart.
func (c *comparison) readings(before, after *model.RunRecord) {
	near := 1000.0
	if p := after.Rating.ActivePower(); p > 0 {
		near = 0.05 * p
	}
	matched := false
	for _, want := range compared {
		worst := model.Difference{}
		for i, b := range after.Steady {
			a, ok := counterpart(before.Steady, after.Steady, i, near)
			x, okX := a.Points[want.point]
			y, okY := b.Points[want.point]
			if !ok || !okX || !okY || want.hot && !alikeCoolant(a, b) {
				continue
			}
			matched = true
			if w := math.Abs(y.Mean-x.Mean) / want.scatter; w > worst.Weight {
				q, _ := model.KnownQuantity(want.point)
				unit := q.ShownUnit()
				load := short(math.Round(b.Load/100) / 10)
				worst = model.Difference{
					What: fmt.Sprintf("%s at %s kW", want.words, load), Unit: unit, Weight: w,
					From: model.InUnit(x.Mean, q, unit), To: model.InUnit(y.Mean, q, unit),
				}
			}
		}
		if worst.Weight >= 0.5 {
			worst.Words = differs(worst)
			c.Differences = append(c.Differences, worst)
		} else if worst.What != "" {
			c.Alike++
		}
	}
	if !matched {
		c.Open = append(c.Open, "the two runs have no equal steady load")
	}
}

// counterpart is the span of the earlier run at the same place: the n-th at
// about that load, as a cold set at no load is not the hot one afterwards.
func counterpart(before, after []model.SteadySpan, at int, near float64) (model.SteadySpan, bool) {
	like := func(s model.SteadySpan) bool { // false for NaN
		return math.Abs(s.Load-after[at].Load) <= near
	}
	nth := 0
	for _, s := range after[:at] {
		if like(s) {
			nth++
		}
	}
	for _, s := range before {
		if like(s) {
			if nth == 0 {
				return s, true
			}
			nth--
		}
	}
	return model.SteadySpan{}, false
}

func alikeCoolant(a, b model.SteadySpan) bool {
	x, okX := a.Points[model.CoolantTemperature]
	y, okY := b.Points[model.CoolantTemperature]
	return !okX || !okY || math.Abs(x.Mean-y.Mean) <= 5
}
