package line

import (
	"slices"
	"time"
)

// remembered is how long an unanswered question is held against answers that
// look like its own. Nothing in the field notes of late answers comes near it.
const remembered = 10 * time.Second

type unanswered struct {
	shape
	until time.Time
}

// memory knows which questions may still be answered. No wait and no draining
// of buffers can tell a late answer from a prompt one of the same shape; only
// remembering can.
type memory struct {
	open   map[byte][]unanswered // by unit, in the order asked
	silent map[byte]bool         // units whose last question failed
}

func newMemory() *memory {
	return &memory{open: map[byte][]unanswered{}, silent: map[byte]bool{}}
}

// add remembers a question without an answer.
func (m *memory) add(s shape, now time.Time) {
	m.open[s.unit] = append(m.expire(s.unit, now), unanswered{s, now.Add(remembered)})
}

func (m *memory) expire(unit byte, now time.Time) []unanswered {
	left := m.open[unit][:0]
	for _, u := range m.open[unit] {
		if now.Before(u.until) {
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
func (m *memory) answered(s shape, now time.Time) {
	all := m.expire(s.unit, now)
	first := slices.IndexFunc(all, func(u unanswered) bool { return u.shape == s })
	if first < 0 {
		delete(m.open, s.unit)
		return
	}
	m.open[s.unit] = slices.Clone(all[first+1:])
	m.add(s, now)
}

// refused takes note of an exception in answer to s. When earlier questions of
// the unit and function are open it may belong to any of them, so the oldest
// is settled and this one stays open instead.
func (m *memory) refused(s shape, now time.Time) {
	m.expire(s.unit, now)
	if m.settle(found{shape: s, exception: true}) {
		m.add(s, now)
	}
}

// settle forgets the oldest question that f may be the answer to, and reports
// whether there was one.
func (m *memory) settle(f found) bool {
	for i, u := range m.open[f.unit] {
		if u.function == f.function && (f.exception || u.bytes == f.bytes) {
			m.open[f.unit] = append(m.open[f.unit][:i:i], m.open[f.unit][i+1:]...)
			return true
		}
	}
	return false
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
