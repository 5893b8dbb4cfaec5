package collector

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"tickover/model"
)

// limits are what a device was found to refuse, beyond what the configuration
// says of it. The zero value means nothing.
type limits struct {
	cuts []Cut
	max  int       // most registers in one read; 0 means what the configuration says
	next time.Time // no finding out before this
}

// learnEvery is how rarely a device is asked why it refuses a read.
const learnEvery = time.Minute

// refusesRange reports whether an error says that a read held something that
// the device does not give: illegal data address or illegal data value
// (application protocol v1.1b3, clause 7).
func refusesRange(err error) bool {
	var e *model.ReadError
	return errors.As(err, &e) && e.Cause == model.DeviceException && (e.Exception == 2 || e.Exception == 3)
}

// learn finds out why a planned read was refused, by asking across each place
// where it could be cut. It returns what was learned, in words; empty when the
// read cannot be cut.
func (p *poller) learn(g *Group, refused Read, read func(model.ReadRequest) (model.Answer, error)) []string {
	l := p.limits[g.Device.Name]
	if time.Now().Before(l.next) {
		return nil
	}
	refuses := func(from, end int) bool {
		q := refused.ReadRequest
		q.Address, q.Count = uint16(from), uint16(end-from)
		_, err := read(q)
		return refusesRange(err)
	}
	var learned []string
	var cuts []Cut
	whole := true // every register wanted is refused by itself: nothing to learn from
	for _, c := range places(g.Device, refused) {
		if !refuses(c.left, c.right) {
			whole = false
			continue
		}
		cuts, learned = append(cuts, c.Cut), append(learned, c.words())
		whole = whole && refuses(c.left, c.From) && refuses(c.To, c.right)
	}
	if whole && len(cuts) > 0 {
		l.next = time.Now().Add(learnEvery)
		return nil
	}
	l.cuts = append(l.cuts, cuts...)
	if widest := widestSpan(g.Device, refused); len(learned) == 0 && int(refused.Count) > widest && !refused.Table.Bits() {
		l.max = max(int(refused.Count)/2, widest)
		learned = append(learned, fmt.Sprintf("reads of %d %s registers are refused; at most %d are asked for", refused.Count, refused.Table, l.max))
	}
	if len(learned) > 0 {
		p.replan(g.Device)
	}
	return learned
}

// place is where a read could be cut, with the least read across it.
type place struct {
	Cut
	left, right int
}

func (c place) words() string {
	if c.From == c.To {
		return fmt.Sprintf("%s %d is not read together with the register before it", c.Table, c.To)
	}
	return fmt.Sprintf("%s %d..%d is refused; reads go around it", c.Table, c.From, c.To-1)
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
			all = append(all, place{Cut{r.Table, end, s.from}, left, s.to})
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

// replan plans every group of the device anew, within what was learned.
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
		g.Reads = Plan(p.def, g.Device, g.Points, Turnaround, l.cuts...)
	}
}
