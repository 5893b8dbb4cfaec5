package alarms

import (
	"math"
	"slices"
	"time"

	"tickover/model"
)

// history is what one alarm did. The indicators and the marks of the live
// list both come from it, so that they mean the same. All times are logged
// time.
type history struct {
	label        string
	raised, most int
	changes      []time.Duration // of the last minute
	active       bool
	since        time.Duration // when it became active
	chattered    time.Duration // when a minute last had too many changes
	changed      int           // in that minute
}

// take notes an event and reports whether it raised the alarm.
func (h *history) take(e model.AlarmEvent, at time.Duration) bool {
	h.label = e.Label
	if e.From == e.To {
		return false
	}
	if active := e.To.Lasts(); active != h.active {
		h.active, h.since = active, at
	}
	if e.Who == "" && !e.Quiet() {
		h.changes = within(append(h.changes, at), at, chatterSpan)
		h.most = max(h.most, len(h.changes))
		if len(h.changes) >= chatterFrom {
			h.chattered, h.changed = at, len(h.changes)
		}
	}
	if e.To != model.AlarmUnacknowledged {
		return false
	}
	h.raised++
	return true
}

// stale is how long the condition has stood without a break, when that is too
// long; else 0.
func (h *history) stale(now time.Duration) time.Duration {
	if stood := now - h.since; h.active && stood > staleAfter {
		return stood
	}
	return 0
}

// chatters is how often the alarm changed in the last minute with too many
// changes, for as long as the mark stays; else 0.
func (h *history) chatters(now time.Duration) int {
	if h.changed > 0 && now-h.chattered < rateSpan {
		return h.changed
	}
	return 0
}

// within leaves the times that lie less than a span before now.
func within(times []time.Duration, now, span time.Duration) []time.Duration {
	return slices.DeleteFunc(times, func(t time.Duration) bool { return now-t >= span })
}

// loggedTime adds up the time of all boots.
type loggedTime struct {
	starts map[uint32]time.Duration // logged time before the boot
	boots  map[uint32]model.Boot
	total  time.Duration // of all boots that have ended
	now    uint32        // the boot that goes on; 0 means none
}

func newLoggedTime(boots []model.Boot, now model.Instant) loggedTime {
	l := loggedTime{starts: map[uint32]time.Duration{}, boots: map[uint32]model.Boot{}}
	for _, b := range boots {
		if b.Number == now.Boot {
			b.Last = max(b.Last, now.Offset)
		}
		l.starts[b.Number], l.boots[b.Number] = l.total, b
		l.total += b.Last - b.First
	}
	return l
}

// until is the logged time before an instant; 0 for a boot that is not known.
func (l loggedTime) until(i model.Instant) time.Duration {
	b, known := l.boots[i.Boot]
	if !known {
		return 0
	}
	return l.starts[i.Boot] + max(min(i.Offset, b.Last)-b.First, 0)
}

// turn lets the boot that went on end at its last instant, and that of another
// instant go on.
func (l *loggedTime) turn(last, at model.Instant) {
	if b, open := l.boots[l.now]; open && last.Boot == l.now {
		b.Last = last.Offset
		l.boots[l.now], l.total = b, l.starts[l.now]+b.Last-b.First
	}
	b, known := l.boots[at.Boot]
	if !known {
		l.starts[at.Boot] = l.total
	}
	if b.Last == 0 {
		b = model.Boot{Number: at.Boot, First: at.Offset}
	}
	b.Last = math.MaxInt64
	l.boots[at.Boot], l.now = b, at.Boot
}
