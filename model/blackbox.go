package model

import (
	"slices"
	"time"
)

// The time before and after a grave event whose readings are kept for ever at
// the rate they were polled at.
const (
	BlackBoxBefore = 5 * time.Minute
	BlackBoxAfter  = time.Minute
)

// AbruptStop is how long after carrying load a stop counts as one that nobody
// asked for: who stops an engine on purpose lets it cool without load first.
const AbruptStop = 10 * time.Second

// Grave reports whether the readings around an event must never be thinned or
// deleted: at the raising of a critical alarm, and at an abrupt stop whatever
// the alarms say of it.
func (e Event) Grave() bool {
	a := e.Alarm
	return a != nil && a.Priority == Critical && a.From != a.To && a.To == AlarmUnacknowledged || e.Engine != nil && e.Engine.Abrupt
}

// BlackBox returns the span of readings around a grave event, as far as the
// boots known by now have it: it goes on across a restart of the computer.
func (e Event) BlackBox(c Clock) Span {
	return Span{c.Back(e.At, BlackBoxBefore), c.Onward(e.At.Add(BlackBoxAfter))}
}

// BlackBox is a stretch of readings that is kept for ever, with what there is
// in it.
type BlackBox struct {
	ID       uint64   // Seq of the first event it was kept for
	Causes   []Event  // all it was kept for, oldest first; never empty
	From, To Instant  // what was to be kept; To is excluded
	Scans    int      // rounds of polling in it
	Points   int      // different points
	Readings int      // of all points together, good and bad
	Lacks    []string // why it is not whole, in words; none when it is
}

// Holds reports whether a box was kept for the event of this Seq.
func (b BlackBox) Holds(seq uint64) bool {
	return slices.ContainsFunc(b.Causes, func(e Event) bool { return e.Seq == seq })
}

// BlackBoxes gives the boxes of the grave ones among events, oldest first, with
// nothing counted. Events whose boxes touch share one.
func BlackBoxes(events []Event, c Clock) []BlackBox {
	var all []BlackBox
	for _, e := range events {
		if !e.Grave() {
			continue
		}
		span := e.BlackBox(c)
		if n := len(all); n > 0 && !all[n-1].To.Before(span.From) {
			b := &all[n-1]
			b.Causes = append(b.Causes, e)
			if b.To.Before(span.To) {
				b.To = span.To
			}
			continue
		}
		all = append(all, BlackBox{ID: e.Seq, Causes: []Event{e}, From: span.From, To: span.To})
	}
	return all
}
