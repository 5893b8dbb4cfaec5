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

// BlackBox returns the span of readings that must never be thinned or deleted
// because of the event: around the raising of a critical alarm, and around an
// abrupt stop whatever the alarms say of it. It reports false for every other
// event. The span stays within the event's boot.
func (e Event) BlackBox() (from, to Instant, ok bool) {
	a := e.Alarm
	grave := a != nil && a.Priority == Critical && a.From != a.To && a.To == AlarmUnacknowledged
	if !grave && (e.Engine == nil || !e.Engine.Abrupt) {
		return Instant{}, Instant{}, false
	}
	return Instant{Boot: e.At.Boot, Offset: max(e.At.Offset-BlackBoxBefore, 0)}, e.At.Add(BlackBoxAfter), true
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

// BlackBoxes gives the boxes of events, oldest first, with nothing counted.
// Events whose boxes touch share one.
func BlackBoxes(events []Event) []BlackBox {
	var all []BlackBox
	for _, e := range events {
		from, to, ok := e.BlackBox()
		if !ok {
			continue
		}
		if n := len(all); n > 0 && from.Boot == all[n-1].To.Boot && !all[n-1].To.Before(from) {
			b := &all[n-1]
			b.Causes = append(b.Causes, e)
			if b.To.Before(to) {
				b.To = to
			}
			continue
		}
		all = append(all, BlackBox{ID: e.Seq, Causes: []Event{e}, From: from, To: to})
	}
	return all
}
