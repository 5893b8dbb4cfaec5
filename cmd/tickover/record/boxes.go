package record

import (
	"context"
	"fmt"
	"slices"
	"time"

	"tickover/model"
)

// BlackBoxes lists the boxes of everything on record, with nothing counted.
func (s *Reader) BlackBoxes(ctx context.Context) ([]model.BlackBox, error) {
	var grave []model.Event
	for e, err := range s.events(model.Query{}) {
		if err != nil {
			return nil, fmt.Errorf("read events: %w", err)
		}
		if e.Grave() {
			grave = append(grave, e)
		}
	}
	return model.BlackBoxes(grave, s.Store.Clock()), ctx.Err()
}

// CountBlackBox reads a box and notes what is in it and what it lacks. What is
// kept for ever is read once: it is remembered until its span or a boot's date
// changes.
func (s *Reader) CountBlackBox(ctx context.Context, b *model.BlackBox) error {
	now, clock := s.last(), s.Store.Clock()
	if known, ok := s.Counted.Load(b.ID); ok && known.(*count).still(*b, clock) {
		b.Scans, b.Points, b.Readings, b.Lacks = known.(*count).Scans, known.(*count).Points, known.(*count).Readings, known.(*count).Lacks
		return nil
	}
	points := map[model.PointID]bool{}
	var at []model.Instant
	damaged := false
	for scan, err := range s.Store.Scans(model.Query{From: b.From, To: b.To}) {
		if err != nil {
			b.Lacks, damaged = append(b.Lacks, "part of it cannot be read: "+err.Error()), true
			continue
		}
		b.Scans++
		b.Readings += scan.Measured
		for _, sample := range scan.Samples[:scan.Measured] {
			points[sample.Point] = true
		}
		at = append(at, scan.At)
	}
	b.Points = len(points)
	slices.SortFunc(at, model.Instant.Compare) // groups come one after the other
	ends := b.To
	b.Lacks = append(b.Lacks, s.lacks(b, at)...)
	if ends.Before(now) && !damaged && ctx.Err() == nil {
		s.Counted.Store(b.ID, &count{*b, clock})
	}
	return ctx.Err()
}

// count is a box that was read, and by which clock.
type count struct {
	model.BlackBox
	clock model.Clock
}

// still reports whether reading the box again would find the same.
func (c *count) still(b model.BlackBox, clock model.Clock) bool {
	same := func(x, y model.Boot) bool { return x.Number == y.Number && len(x.Estimates) == len(y.Estimates) }
	return c.From == b.From && c.To == b.To && len(c.Causes) == len(b.Causes) && slices.EqualFunc(c.clock.Boots, clock.Boots, same)
}

// lacks says where a box has no readings although it should, and why.
func (s *Reader) lacks(b *model.BlackBox, at []model.Instant) (words []string) {
	if first := b.Causes[0].At; first.Boot == b.From.Boot && first.Offset < model.BlackBoxBefore {
		words = append(words, "the computer had started only "+Seconds(first.Offset.Seconds())+" before"+s.wasOff(first.Boot))
	}
	now := s.last()
	if now.Boot == b.To.Boot && now.Before(b.To) && s.live != nil {
		words = append(words, "it is still being recorded")
		b.To = now
	}
	if len(at) == 0 {
		return append(words, "there are no readings")
	}
	patience := usualGap(at)
	whole := append(append([]model.Instant{b.From}, at...), b.To)
	for i, from := range whole[:len(whole)-1] {
		gap, same := whole[i+1].Sub(from)
		if !same {
			words = append(words, s.restarted(from, whole[i+1]))
			from = model.Instant{Boot: whole[i+1].Boot}
			gap = whole[i+1].Offset
		}
		if gap > patience {
			words = append(words, fmt.Sprintf("no readings for %s from %s on: %s", Seconds(gap.Seconds()), from, s.silence(from, whole[i+1])))
		}
	}
	return words
}

// wasOff says for how long the computer was off before a boot, as a clause;
// "" when it is the first or that is not known.
func (s *Reader) wasOff(boot uint32) string {
	clock := s.Store.Clock()
	at := slices.IndexFunc(clock.Boots, func(b model.Boot) bool { return b.Number == boot })
	if at < 1 {
		return ""
	}
	off, dated := clock.Off(clock.Boots[at-1], clock.Boots[at])
	if !dated {
		return ""
	}
	return ", and kept nothing for " + Seconds(off.Seconds()) + " until then"
}

// restarted says that the computer was started anew between two readings of a
// box, and for how long it was off as far as its clocks tell.
func (s *Reader) restarted(from, to model.Instant) string {
	said := fmt.Sprintf("the computer was started anew between %s and %s", from, to)
	clock := s.Store.Clock()
	a, known := clock.Boot(from.Boot)
	b, alike := clock.Boot(to.Boot)
	off, dated := clock.Off(a, b)
	if !known || !alike || !dated {
		return said + "; for how long nothing was kept is not determined, since no clock that is vouched for dates both boots: the readings before it may be older than they look"
	}
	return said + "; nothing was kept for " + Seconds(off.Seconds()) + " until it began"
}

// usualGap is the longest time between two scans that is no gap.
func usualGap(at []model.Instant) time.Duration {
	var gaps []time.Duration
	for i := range at[1:] {
		if gap, same := at[i+1].Sub(at[i]); same {
			gaps = append(gaps, gap)
		}
	}
	slices.Sort(gaps)
	if len(gaps) == 0 {
		return 5 * time.Second
	}
	return max(5*time.Second, 3*gaps[len(gaps)/2])
}

// silence says why nothing was read between two instants, as far as the
// timeline knows.
func (s *Reader) silence(from, to model.Instant) string {
	for e, err := range s.events(model.Query{From: from, To: to.Add(time.Second)}) {
		if err == nil && e.Kind == model.DaemonEvent {
			return "tickover was started anew"
		}
	}
	boots := s.Store.Clock().Boots
	switch b, _ := s.Store.Clock().Boot(from.Boot); {
	case b.Last > from.Offset:
		return "the lines gave none"
	case len(boots) > 0 && boots[len(boots)-1].Number > from.Boot:
		return "the computer was started anew"
	}
	return "nothing was logged after"
}
