package collector

import (
	"sync/atomic"
	"time"

	"tickover/model"
)

// silence remembers how long a unit has not answered.
type silence struct {
	failures int
	noisy    int         // rounds in a row of nothing but noise
	cause    model.Cause // of the last failure
	retry    time.Time   // not asked before this
}

const (
	// longestSilence bounds how rarely a unit that does not answer is tried.
	longestSilence = 60 * time.Second
	// poweredSilence is that bound for a unit that lives on the set's own
	// voltage, and burstSilence while the set may be starting: its first
	// volts are worth more of the line than others may have.
	poweredSilence = 30 * time.Second
	burstSilence   = 5 * time.Second
	// silenceShare is the part of the line that all dead units may take
	// together, as one in so many.
	silenceShare = 60
	// spareShare is how many times what a try cost the next try of a dead unit
	// is put off, whichever it is: rounds of the others come between.
	spareShare = 3
)

// note keeps count of a unit's silence; answered tells whether any question of
// the round was. The wait before the next try doubles from one interval to a
// minute, and to sixty times what a try costs for each dead unit, so that they
// cost the others little. A unit that has nobody beside it costs nobody anything
// and is tried at every round; so is a closed line, for trying it costs nothing.
// Noise counts as silence once it was all that a unit gave in so many rounds as
// make it lost: a starter's sparks last less, and the fast points are wanted then.
func (p *poller) note(s *silence, g *Group, err error, answered bool, cost time.Duration) {
	cause := model.NoCause
	if err != nil {
		cause = causeOf(err)
	}
	if cause == model.LineClosed {
		p.closed, p.refusal = true, err
	}
	noise := !answered && (cause == model.CorruptAnswer || cause == model.ForeignAnswer)
	if noise && s.failures == 0 && s.noisy < lostAfter {
		s.noisy++
		return
	}
	if cause != model.NoAnswer && !noise {
		s.failures, s.noisy = 0, 0
		return
	}
	s.failures++
	s.cause = cause
	wait := min(g.Every<<min(s.failures-1, 12), p.bound(g.Device, cost))
	s.retry = time.Now().Add(wait - g.Every/2)
	p.spare = time.Now().Add(spareShare * cost)
	if p.alone(s) {
		s.retry, p.spare = time.Time{}, time.Time{}
	}
}

// rests reports whether a unit is left alone this time.
func (p *poller) rests(s *silence) bool {
	return s.failures > 0 && (time.Now().Before(s.retry) || time.Now().Before(p.spare))
}

// bound is the longest wait between two tries of a dead unit that cost so much.
func (p *poller) bound(d model.Device, cost time.Duration) time.Duration {
	if d.PoweredBySet && p.signal.on() {
		return burstSilence
	}
	longest := longestSilence
	if d.PoweredBySet {
		longest = poweredSilence
	}
	dead := 0
	for _, s := range p.silent {
		if s.failures > 0 {
			dead++
		}
	}
	return max(longest, time.Duration(silenceShare*dead)*cost)
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
			s.failures, s.noisy = 0, 0
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
