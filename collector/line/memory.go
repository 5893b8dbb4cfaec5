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
	begun  bool                  // the line was silent once for as long as a unit is waited for
	open   map[byte][]unanswered // by unit, in the order asked
	owing  map[byte]time.Time    // since when a unit has been at what it owes an answer to
	silent map[byte]int          // questions in a row that failed, by unit
	said   map[byte]time.Time    // when a unit last answered anything
	runs   map[byte]run          // answers in a row with nothing else, by unit
	mute   map[byte]time.Time    // no short read before this
	vain   map[byte]int          // short reads ignored, by unit
	ways   map[byte]way          // how a unit is asked whether its answers have passed
	known  map[byte][]question   // what a unit answered, by unit
	habits map[byte]*habit       // by unit
}

func newMemory() *memory {
	return &memory{
		open: map[byte][]unanswered{}, owing: map[byte]time.Time{}, silent: map[byte]int{},
		said: map[byte]time.Time{}, runs: map[byte]run{}, mute: map[byte]time.Time{},
		vain: map[byte]int{}, ways: map[byte]way{}, known: map[byte][]question{},
		habits: map[byte]*habit{},
	}
}

// habit gives what is known of a unit's pace.
func (m *memory) habit(unit byte) *habit {
	if m.habits[unit] == nil {
		m.habits[unit] = &habit{}
	}
	return m.habits[unit]
}

// heard reports whether a unit ever answered.
func (m *memory) heard(unit byte) bool {
	_, ever := m.said[unit]
	return ever
}

// turn has a unit asked another way from now on.
func (m *memory) turn(unit byte) { m.ways[unit] = (m.ways[unit] + 1) % ways }

// ignores takes note that a unit answers a question and said nothing to the short
// reads before. When it ignored every way twice it is spared them for a while.
func (m *memory) ignores(unit byte, now time.Time) {
	if m.vain[unit]++; m.vain[unit] >= 2*int(ways) {
		m.vain[unit], m.mute[unit] = 0, now.Add(lively)
	}
}

// learn takes note of a question that a unit answers, one of each shape.
func (m *memory) learn(q question) {
	same := func(k question) bool { return shapeOf(k) == shapeOf(q) }
	if !q.identify && !slices.ContainsFunc(m.known[q.Unit], same) {
		m.known[q.Unit] = append(m.known[q.Unit], q)
	}
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
	m.said[s.unit] = now
	all := m.expire(s.unit, now)
	first := slices.IndexFunc(all, func(u unanswered) bool { return u.shape == s })
	if first < 0 {
		delete(m.open, s.unit)
		return
	}
	m.open[s.unit] = slices.Clone(all[first+1:])
	m.owe(s.unit, now) // it began that one after this answer
	m.add(s, asked, now)
}

// refusal is what an exception proves.
type refusal int

const (
	passed refusal = iota // the oldest question that it may belong to, and everything before it
	busy                  // nothing, but one of the open questions is answered
	copied                // nothing: it may be the last answer over again, or a gateway's word
)

// refused takes note of an exception in answer to s. It may belong to any open
// question of the unit and function.
func (m *memory) refused(s shape, proves refusal, asked, now time.Time) {
	delete(m.owing, s.unit)
	m.said[s.unit] = now
	all := m.expire(s.unit, now)
	first := slices.IndexFunc(all, func(u unanswered) bool { return u.function == s.function })
	switch {
	case first < 0 && proves == passed:
		delete(m.open, s.unit)
		return
	case first < 0, proves == busy && all[first].shape == s:
		return // as many are open as before
	case proves == passed:
		m.open[s.unit] = slices.Clone(all[first+1:])
	}
	m.owe(s.unit, now) // it began that one after this answer
	m.add(s, asked, now)
}

// A run of answers, each prompt and alone, shows that
// nothing is owed from before: a unit that had more to say would say it at once,
// or keep silent for as long as it is at it.
const (
	cleanRun  = 8
	cleanTime = 3 * time.Second
)

// run is answers that came alone.
type run struct {
	since   time.Time
	answers int
}

// clean takes note of an exchange with a unit: an answer and nothing else, or
// not. What was open before a long run of such answers is forgotten.
func (m *memory) clean(unit byte, only bool, now time.Time) {
	r := m.runs[unit]
	switch {
	case !only:
		delete(m.runs, unit)
		return
	case r.answers == 0:
		r.since = now
	}
	r.answers++
	m.runs[unit] = r
	if r.answers >= cleanRun && now.Sub(r.since) >= cleanTime {
		before := func(u unanswered) bool { return u.asked.Before(r.since) }
		m.open[unit] = slices.DeleteFunc(m.open[unit], before)
	}
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
			u.came, m.said[f.unit] = true, now
			if m.owing[f.unit] = now; !m.owes(f.unit) {
				delete(m.owing, f.unit)
			}
			return u.asked, true
		}
	}
	return time.Time{}, false
}

// confuses reports whether the answer to s could be taken for a late one, to a
// question asked before a time.
func (m *memory) confuses(s shape, before, now time.Time) bool {
	return slices.ContainsFunc(m.expire(s.unit, now), func(u unanswered) bool {
		return u.shape == s && u.asked.Before(before)
	})
}

// count says how many questions of a shape that were asked before a time are open.
func (m *memory) count(s shape, before time.Time) (n int) {
	for _, u := range m.open[s.unit] {
		if u.shape == s && u.asked.Before(before) {
			n++
		}
	}
	return n
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

// proves reports whether an answer of shape s proves that every question of
// shape old has been passed: none of shape s was asked before the last of old.
func (m *memory) proves(s, old shape, now time.Time) bool {
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
