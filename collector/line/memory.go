package line

import (
	"slices"
	"time"
)

// remembered is how long an unanswered question is held against answers that
// look like its own. Units are late by seconds, but a network on the way to a
// gateway may hold answers back for minutes.
const remembered = 10 * time.Minute

type unanswered struct {
	shape
	asked time.Time
	came  bool // an answer that may be its own came late
}

// memory knows which questions may still be answered. No wait and no draining
// of buffers can tell a late answer from a prompt one of the same shape; only
// remembering can.
type memory struct {
	open    map[byte][]unanswered // by unit, in the order asked
	owing   map[byte]time.Time    // since when a unit has been at what it owes an answer to
	silent  map[byte]int          // questions in a row that failed, by unit
	heard   map[byte]bool         // units that ever answered
	refuses map[byte]bool         // units that refused a short read
	habits  map[byte]*habit       // by unit
}

func newMemory() *memory {
	return &memory{open: map[byte][]unanswered{}, owing: map[byte]time.Time{}, silent: map[byte]int{}, heard: map[byte]bool{},
		refuses: map[byte]bool{}, habits: map[byte]*habit{}}
}

// habit gives what is known of a unit's pace.
func (m *memory) habit(unit byte) *habit {
	if m.habits[unit] == nil {
		m.habits[unit] = &habit{}
	}
	return m.habits[unit]
}

// failed takes note of how a question ended, after its second try.
func (m *memory) failed(unit byte, failed bool) {
	m.silent[unit]++
	if !failed {
		m.silent[unit] = 0
	}
}

// owe takes note that a unit is at a question that was asked then.
func (m *memory) owe(unit byte, asked time.Time) {
	if _, owing := m.owing[unit]; !owing {
		m.owing[unit] = asked
	}
}

// add remembers a question that may still be answered.
func (m *memory) add(s shape, asked, now time.Time) {
	m.open[s.unit] = append(m.expire(s.unit, now), unanswered{shape: s, asked: asked})
}

func (m *memory) expire(unit byte, now time.Time) []unanswered {
	left := m.open[unit][:0]
	for _, u := range m.open[unit] {
		if now.Sub(u.asked) < remembered {
			left = append(left, u)
		}
	}
	m.open[unit] = left
	return left
}

// answered takes note of a good answer of shape s. Units answer in order, so
// everything asked before has passed. When questions of the same shape are
// open (first tries of this one) the answer may be the oldest one's: then only
// what was asked before that has passed, and one more answer may come.
func (m *memory) answered(s shape, asked, now time.Time) {
	delete(m.owing, s.unit)
	m.heard[s.unit] = true
	all := m.expire(s.unit, now)
	first := slices.IndexFunc(all, func(u unanswered) bool { return u.shape == s })
	if first < 0 {
		delete(m.open, s.unit)
		return
	}
	m.open[s.unit] = slices.Clone(all[first+1:])
	m.owe(s.unit, asked)
	m.add(s, asked, now)
}

// refused takes note of an exception in answer to s. It may belong to any open
// question of the unit and function; when it is no copy of the last answer, the
// oldest of them has passed, and everything before it.
func (m *memory) refused(s shape, copied bool, asked, now time.Time) {
	delete(m.owing, s.unit)
	m.heard[s.unit] = true
	all := m.expire(s.unit, now)
	first := slices.IndexFunc(all, func(u unanswered) bool { return u.function == s.function })
	switch {
	case first < 0 && copied:
		return
	case first < 0:
		delete(m.open, s.unit)
		return
	case !copied:
		m.open[s.unit] = slices.Clone(all[first+1:])
	}
	m.owe(s.unit, asked)
	m.add(s, asked, now)
}

// owes reports whether older questions of a unit are still without an answer.
func (m *memory) owes(unit byte) bool {
	return slices.ContainsFunc(m.open[unit], func(u unanswered) bool { return !u.came })
}

// settle finds the oldest question that f may be the late answer to and says
// when it was asked; false when there is none. The question stays open: f may
// be a copy, or of somebody else, and only an answer of another shape proves
// that it has passed.
func (m *memory) settle(f found, now time.Time) (asked time.Time, ok bool) {
	for i := range m.open[f.unit] {
		u := &m.open[f.unit][i]
		if !u.came && u.function == f.function && (f.exception || u.bytes == f.bytes) {
			u.came, m.heard[f.unit] = true, true
			if m.owing[f.unit] = now; !m.owes(f.unit) {
				delete(m.owing, f.unit)
			}
			return u.asked, true
		}
	}
	return time.Time{}, false
}

// confuses reports whether the answer to s could be taken for a late one.
func (m *memory) confuses(s shape, now time.Time) bool {
	return m.last(s, now) >= 0
}

// last gives the place of the youngest question of a shape, -1 for none.
func (m *memory) last(s shape, now time.Time) int {
	at := -1
	for i, u := range m.expire(s.unit, now) {
		if u.shape == s {
			at = i
		}
	}
	return at
}

// tells reports whether an answer of shape s proves that every question of
// shape old has been passed: none of shape s was asked before the last of old.
func (m *memory) tells(s, old shape, now time.Time) bool {
	if s == old {
		return false
	}
	last := m.last(old, now)
	for i, u := range m.open[s.unit] {
		if u.shape == s && i < last {
			return false
		}
	}
	return true
}
