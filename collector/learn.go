package collector

import (
	"errors"
	"slices"
	"time"

	"tickover/model"
)

// limits are what a device was found to refuse, beyond what the configuration
// says of it. The zero value means nothing.
type limits struct {
	cuts []cut
	max  int       // most registers in one read; 0 means what the configuration says
	next time.Time // no finding out before this
}

// take plans by one more refusal from now on.
func (l *limits) take(r model.RefusedRead) {
	if r.Most > 0 {
		l.max = r.Most
		return
	}
	l.cuts = append(l.cuts, cut{r.Table, r.From, r.To})
}

// learnEvery is how rarely a device is asked why it refuses a read, and
// unsureEvery is that when a question about it got no answer: what is learned
// lasts, so it is never learned from silence.
const (
	learnEvery  = time.Minute
	unsureEvery = 10 * time.Second
)

// refusesRange reports whether an error says that a read held something that
// the device does not give: illegal data address or illegal data value
// (application protocol v1.1b3, clause 7).
func refusesRange(err error) bool {
	var e *model.ReadError
	return errors.As(err, &e) && e.Cause == model.DeviceException && (e.Exception == 2 || e.Exception == 3)
}

// learn finds out why a planned read was refused, by asking across each place
// where it could be cut. It returns what was learned; nothing when the read
// cannot be cut, or when not every question was answered.
func (p *poller) learn(g *Group, refused Read, read reader) []model.RefusedRead {
	l := p.limits[g.Device.Name]
	if time.Now().Before(l.next) {
		return nil
	}
	unsure := false
	refuses := func(from, end int) bool {
		if unsure {
			return false // the unit is at something else: the rest is asked another time
		}
		q := refused.ReadRequest
		q.Address, q.Count = uint16(from), uint16(end-from)
		_, err := read(q)
		unsure = unsure || err != nil && !refusesRange(err)
		return refusesRange(err)
	}
	var learned []model.RefusedRead
	whole := true // every register wanted is refused by itself: nothing to learn from
	for _, c := range places(g.Device, refused) {
		if !refuses(c.left, c.right) {
			whole = false
			continue
		}
		learned = append(learned, model.RefusedRead{Table: c.Table, From: c.From, To: c.To})
		whole = whole && refuses(c.left, c.From) && refuses(c.To, c.right)
	}
	switch {
	case unsure:
		l.next = time.Now().Add(unsureEvery)
		return nil
	case whole && len(learned) > 0:
		l.next = time.Now().Add(learnEvery)
		return nil
	}
	if widest := widestSpan(g.Device, refused); len(learned) == 0 && int(refused.Count) > widest && !refused.Table.Bits() {
		learned = append(learned, model.RefusedRead{Table: refused.Table, Refused: int(refused.Count), Most: max(int(refused.Count)/2, widest)})
	}
	p.goBy(g.Device, learned)
	return learned
}

// place is where a read could be cut, with the least read across it.
type place struct {
	cut
	left, right int
}

// places lists where a planned read could be cut.
func places(d model.Device, r Read) []place {
	var all []place
	end, left := 0, 0
	for _, s := range wantedSpans(d, r.Points) {
		if s.table != r.Table || s.from < int(r.Address) || s.to > int(r.Address)+int(r.Count) {
			continue // an exponent in another read
		}
		if end > 0 && s.from >= end {
			all = append(all, place{cut{r.Table, end, s.from}, left, s.to})
		}
		if s.to > end {
			end, left = s.to, s.from
		}
	}
	return all
}

func widestSpan(d model.Device, r Read) int {
	widest := 1
	for _, s := range wantedSpans(d, r.Points) {
		widest = max(widest, s.to-s.from)
	}
	return widest
}

// recall sorts what was found out before by the devices it still holds for.
func (c *Collector) recall(kept []model.RefusedRead) {
	for _, r := range kept {
		if !r.Valid() {
			c.parts.Log.Warn("what is kept of a device's refusals is damaged; it is asked again", "device", r.Device)
			continue
		}
		if c.definition[r.Device] == r.Definition {
			c.refused[r.Device] = append(c.refused[r.Device], r)
			c.devices[r.Device].Learned = append(c.devices[r.Device].Learned, r.Words())
		}
	}
}

// recall plans by what was found out before.
func (p *poller) recall(refused map[string][]model.RefusedRead) {
	for name := range p.limits {
		i := slices.IndexFunc(p.groups, func(g *Group) bool { return g.Device.Name == name })
		p.goBy(p.groups[i].Device, refused[name])
	}
}

// goBy plans a device's reads by what it was found to refuse.
func (p *poller) goBy(d model.Device, refused []model.RefusedRead) {
	if len(refused) == 0 {
		return
	}
	for _, r := range refused {
		p.limits[d.Name].take(r)
	}
	p.replan(d)
}

// replan plans every group of the device again, within what was learned and by
// the turnaround measured.
func (p *poller) replan(d model.Device) {
	l := p.limits[d.Name]
	for _, g := range slices.Concat(p.groups, p.fast) {
		if g.Device.Name != d.Name {
			continue
		}
		g.Device = d
		if l.max > 0 {
			g.Device.MaxRegisters = l.max
		}
		if t := p.turnaround[d.Name]; t > 0 {
			g.Turnaround = t
		}
		g.Reads, g.first = planReads(p.def, g.Device, g.Points, g.Turnaround, l.cuts...), 0
	}
	p.show()
}
