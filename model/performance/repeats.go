package performance

import (
	"fmt"
	"math"

	"tickover/model"
	"tickover/model/steady"
)

// repeats gathers steps that were made several times: on the same phases, in
// the same direction, between like loads.
func (r *recorder) repeats() []model.Repeat {
	var groups [][]int
	for i := range r.steps {
		at := -1
		for g, members := range groups {
			if r.alike(r.steps[members[0]], r.steps[i]) {
				at = g
			}
		}
		if at < 0 {
			groups = append(groups, []int{i})
		} else {
			groups[at] = append(groups[at], i)
		}
	}
	var list []model.Repeat
	for _, members := range groups {
		if len(members) > 1 {
			list = append(list, r.repeat(members))
		}
	}
	return list
}

func (r *recorder) alike(a, b stepResult) bool {
	near := max(steady.StepThreshold(r.in.Rating), 0.1*a.size)
	return a.step.Phases == b.step.Phases && a.on == b.on &&
		math.Abs(a.step.From-b.step.From) < near &&
		math.Abs(a.step.To-b.step.To) < near
}

func (r *recorder) repeat(members []int) model.Repeat {
	first := r.steps[members[0]]
	g := model.Repeat{Phases: first.step.Phases, Steps: members}
	for _, i := range members {
		g.From += r.steps[i].step.From / float64(len(members))
		g.To += r.steps[i].step.To / float64(len(members))
	}
	set := r.judgedBy
	for _, k := range first.kinds {
		var all []measure
		for _, i := range members {
			if of := r.steps[i].per[k]; len(of) > 0 {
				all = append(all, of[min(set, len(of)-1)])
			}
		}
		g.Figures = append(g.Figures,
			spreadOf(subjects[k].name, subjects[k].symbol, subjects[k].unit, all))
	}
	for _, p := range []struct {
		id         model.PointID
		name, unit string
	}{
		{model.FrequencyPoint, "frequency after", "Hz"},
		{model.VoltageL1N, "voltage L1 after", "V"},
		{model.VoltageL2N, "voltage L2 after", "V"},
		{model.VoltageL3N, "voltage L3 after", "V"},
	} {
		var all []measure
		for _, i := range members {
			if v, ok := r.steps[i].step.After[p.id]; ok {
				all = append(all, plain(v, 0))
			}
		}
		if len(all) > 0 {
			g.Figures = append(g.Figures, spreadOf(p.name, "", p.unit, all))
		}
	}
	return g
}

// spreadOf is the mean of repeated measures with how far they lay apart.
func spreadOf(name, symbol, unit string, all []measure) model.Figure {
	sum, lo, hi, low, high, n := 0.0, math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1), 0
	bound := model.Exact
	for _, m := range all {
		if !m.known {
			continue
		}
		n++
		sum, lo, hi = sum+m.value, min(lo, m.value), max(hi, m.value)
		low, high = min(low, m.lo), max(high, m.hi)
		if m.bound != model.Exact && bound != model.AtLeast {
			bound = m.bound
		}
	}
	if n == 0 {
		return model.NotKnown(name, symbol, unit, "not determined in any of the repeats")
	}
	f := number(name, unit, sum/float64(n), "")
	f.Symbol, f.Bound = symbol, bound
	if bound == model.Interval {
		f.Low, f.High = low, high
	}
	f.Note = fmt.Sprintf("mean of %d, %s to %s %s, spread %s", n, short(lo), short(hi), unit,
		short(hi-lo))
	return f
}
