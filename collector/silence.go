package collector

import (
	"sync/atomic"
	"time"

	"tickover/model"
)

// silence remembers how long a unit has not answered.
type silence struct {
	failures int
	retry    time.Time // not asked before this
}

const (
	// longestSilence bounds how rarely a unit that does not answer is tried.
	longestSilence = 60 * time.Second
	// poweredSilence is that bound for a unit that lives on the set's own
	// voltage, and burstSilence while the set may be starting: its first
	// volts are worth a little of the line.
	poweredSilence = 30 * time.Second
	burstSilence   = 5 * time.Second
	// silenceShare is the part of the line that a dead unit may take, as one
	// in so many.
	silenceShare = 60
)

// note keeps count of a unit's silence. The wait before the next try doubles
// from one interval to a minute, and to sixty times what a try costs, so that
// a dead unit costs the others little. A unit that has nobody beside it costs
// nobody anything and is tried at every round; so is a closed line, for
// trying it costs nothing.
func (p *poller) note(s *silence, g *Group, err error, cost time.Duration) {
	cause := model.NoCause
	if err != nil {
		cause = causeOf(err)
	}
	if cause == model.LineClosed {
		p.closed, p.refusal = true, err
	}
	if cause != model.NoAnswer {
		s.failures = 0
		return
	}
	s.failures++
	wait := min(g.Every<<min(s.failures-1, 12), max(p.bound(g.Device), silenceShare*cost))
	s.retry = time.Now().Add(wait - g.Every/2)
	if p.alone(s) {
		s.retry = time.Time{}
	}
}

func (p *poller) bound(d model.Device) time.Duration {
	switch {
	case d.PoweredBySet && p.signal.on():
		return burstSilence
	case d.PoweredBySet:
		return poweredSilence
	}
	return longestSilence
}

// alone reports whether no other unit of the line answers.
func (p *poller) alone(s *silence) bool {
	for _, other := range p.silent {
		if other != s && other.failures == 0 {
			return false
		}
	}
	return true
}

// forgive lets every silent unit be tried at its next round; from anew, when
// the line itself was away and nothing is known of its units.
func (p *poller) forgive(anew bool) {
	for _, s := range p.silent {
		s.retry = time.Time{}
		if anew {
			s.failures = 0
		}
	}
}

// signal tells a poller that a burst is on. The carrier sets it, the poller
// reads it.
type signal struct {
	until atomic.Pointer[time.Time]
	wake  chan struct{}
}

func newSignal() *signal { return &signal{wake: make(chan struct{}, 1)} }

// hold makes the burst last until t at least, and wakes the poller when it
// begins.
func (s *signal) hold(t time.Time) {
	was := s.on()
	if old := s.until.Load(); old == nil || old.Before(t) {
		s.until.Store(&t)
	}
	if was {
		return
	}
	select {
	case s.wake <- struct{}{}:
	default: // it is to wake already
	}
}

func (s *signal) on() bool {
	until := s.until.Load()
	return until != nil && time.Now().Before(*until)
}
