package alarms

import (
	"math"
	"time"

	"tickover/model"
)

// trace turns the values of a point into what a rule of an advanced kind
// judges. It reports false while the value is not known.
type trace interface {
	add(e *engine, at model.Instant, v float64) (float64, bool)
	forget()
}

// newTrace returns the trace of a kind, nil when the value itself is judged.
func newTrace(r model.AlarmRule) trace {
	switch r.Kind {
	case model.RisingFaster, model.FallingFaster:
		return newSlope(r.Window)
	case model.SwingsMore:
		return newSwing(r.Window)
	case model.JumpsFaster:
		return &jump{}
	case model.StuckFor:
		return &stuck{}
	case model.NeverMoves:
		return &moves{}
	case model.UsedUpWithin:
		return newUsage(r.Window)
	}
	return nil
}

// swingParts is how many parts the window is cut into. The swing is that of
// between one and one and a sixteenth windows.
const swingParts = 16

// swing is the highest less the lowest value over a window.
type swing struct {
	window, part time.Duration
	least        time.Duration // that samples must span before it says anything
	born, begun  model.Instant // of the whole and of the newest part; zero means no sample yet
	low, high    [swingParts + 1]float64
	newest       int
}

func newSwing(window time.Duration) *swing {
	if window <= 0 {
		window = defaultWindow
	}
	return &swing{window: window, part: window / swingParts, least: window}
}

// newSteady is the swing of what has to be steady for a rule to judge over a window.
// It looks back a quarter further: what a change did to the value, for ten seconds
// of a minute's window (the recovery time of ISO 8528-5 G1), leaves the rule's window
// first, however the parts of the two lie to each other.
func newSteady(window time.Duration) *swing {
	s := newSwing(window)
	s.window += s.window / 4
	s.part = s.window / swingParts
	return s
}

func (s *swing) forget() { s.born = model.Instant{} }

func (s *swing) add(_ *engine, at model.Instant, v float64) (float64, bool) {
	if s.born.IsZero() || elapsed(s.begun, at) > s.window {
		s.born, s.begun, s.newest = at, at, 0
		for i := range s.low {
			s.low[i], s.high[i] = math.Inf(1), math.Inf(-1)
		}
	}
	for elapsed(s.begun, at) >= s.part {
		s.begun, s.newest = s.begun.Add(s.part), (s.newest+1)%len(s.low)
		s.low[s.newest], s.high[s.newest] = math.Inf(1), math.Inf(-1)
	}
	s.low[s.newest], s.high[s.newest] = min(s.low[s.newest], v), max(s.high[s.newest], v)
	if elapsed(s.born, at) < s.least {
		return 0, false
	}
	low, high := s.low[0], s.high[0]
	for i := range s.low {
		low, high = min(low, s.low[i]), max(high, s.high[i])
	}
	return high - low, true
}

// jump is the change from one sample to the next in units a second. Samples
// closer together than a second are taken as a second apart, so that a last
// digit seen twice in 50 ms is no jump.
type jump struct {
	at   model.Instant // zero means no sample yet
	last float64
}

func (j *jump) forget() { j.at = model.Instant{} }

func (j *jump) add(_ *engine, at model.Instant, v float64) (float64, bool) {
	known := !j.at.IsZero()
	change := math.Abs(v-j.last) / max(elapsed(j.at, at).Seconds(), 1)
	j.at, j.last = at, v
	return change, known
}

// stuckAfter is how long a sensor has to answer to a start or a stop.
const stuckAfter = 2 * time.Minute

// stuck is for how many seconds a value has stayed the same to the last digit
// although the engine began or ceased to turn; 0 while it has no reason to
// change.
type stuck struct {
	since model.Instant // zero means no sample yet
	last  float64
	turns int // changes between rest and turning when it last moved
}

func (s *stuck) forget() { s.since = model.Instant{} }

func (s *stuck) add(e *engine, at model.Instant, v float64) (float64, bool) {
	if s.since.IsZero() || v != s.last {
		s.since, s.last, s.turns = at, v, e.turns
	}
	if e.turns == s.turns || elapsed(e.turned, at) < stuckAfter {
		return 0, true
	}
	return elapsed(s.since, at).Seconds(), true
}

// moves is through how many starts a contact has stayed the same.
type moves struct {
	known  bool
	last   float64
	starts int
}

// forget keeps what was counted: a dropout moves no contact.
func (m *moves) forget() {}

func (m *moves) add(e *engine, _ model.Instant, v float64) (float64, bool) {
	if !m.known || v != m.last {
		*m = moves{true, v, e.starts}
	}
	return float64(e.starts - m.starts), true
}
