package collector

import (
	"slices"
	"sync/atomic"
	"time"

	"tickover/model"
)

// Turnaround is what planning assumes a unit takes to begin its answer until
// enough answers were measured.
const Turnaround = 5 * time.Millisecond

// enoughAnswers show a unit's turnaround.
const enoughAnswers = 16

// turnaroundOf returns the mean wait for a unit's answers to begin, or the
// assumption while there are too few of them.
func turnaroundOf(u model.UnitHealth) (mean time.Duration, assumed bool) {
	n := u.Latency.Count()
	if n < enoughAnswers {
		return Turnaround, true
	}
	return u.Latency.Sum / time.Duration(n), false
}

// measure plans the reads of a group's device again by the turnaround measured,
// each time that twice as many answers show it: the slower a unit, the wider
// the gaps worth reading through.
func (p *poller) measure(g *Group) {
	units := p.line.Health().Units
	i := slices.IndexFunc(units, func(u model.UnitHealth) bool { return u.Unit == g.Device.Unit })
	if i < 0 || units[i].Latency.Count() < max(p.measured[g.Device.Name], enoughAnswers) {
		return
	}
	p.measured[g.Device.Name] = 2 * units[i].Latency.Count()
	p.turnaround[g.Device.Name], _ = turnaroundOf(units[i])
	p.replan(g.Device)
}

// plan is what a poller asks at present, for readers on other goroutines.
type plan struct{ groups, fast atomic.Pointer[[]Group] }

// show publishes the plan in force.
func (p *poller) show() {
	p.plan.groups.Store(shown(p.groups))
	p.plan.fast.Store(shown(p.fast))
}

func shown(groups []*Group) *[]Group {
	var all []Group
	for _, g := range groups {
		all = append(all, *g)
	}
	return &all
}

// BurstEvery returns how often the fast points come round in a burst whose
// round takes cost, while other rounds take their share of the line; 0 when
// there are none or no time is left for them.
func BurstEvery(cost time.Duration, share float64) time.Duration {
	if cost == 0 || share >= 1 {
		return 0
	}
	return time.Duration(float64(max(cost, LeastBurst)) / (1 - share))
}

// share works out how much of the line's time the plan takes, and how often a
// burst reads the fast points, by the turnaround that each unit shows.
func (n *plan) share(l model.Line, h *model.LineHealth) {
	groups, fast := n.groups.Load(), n.fast.Load()
	if groups == nil || fast == nil {
		return
	}
	for _, g := range *groups {
		cost, u := costBy(l, g, h)
		part := cost.Seconds() / g.Every.Seconds()
		u.Planned, h.Planned = u.Planned+part, h.Planned+part
	}
	var round time.Duration
	for _, g := range *fast {
		cost, _ := costBy(l, g, h)
		round += cost
	}
	h.BurstEvery = BurstEvery(round, h.Planned)
}

// costBy returns what a round over a group takes by its unit's turnaround, which
// it notes at the unit. A unit that was not asked yet is not in the health.
func costBy(l model.Line, g Group, h *model.LineHealth) (time.Duration, *model.UnitHealth) {
	u := &model.UnitHealth{}
	if i := slices.IndexFunc(h.Units, func(u model.UnitHealth) bool { return u.Unit == g.Device.Unit }); i >= 0 {
		u = &h.Units[i]
	}
	u.Turnaround, u.Assumed = turnaroundOf(*u)
	g.Turnaround = u.Turnaround
	return g.Cost(l), u
}
