package collector

import (
	"errors"
	"slices"
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
	said     time.Time   // when the unit last said anything, if only a refusal
	answers  uint64      // how many answers of it the line had counted then
	deferred map[model.ReadRequest]*deferral
	good     map[model.ReadRequest]bool // what it answered
	asked    map[model.ReadRequest]time.Time
	split    bool // a read of it is to be cut
	unheard  int  // questions in a row that it said nothing to
}

func newSilence() *silence {
	return &silence{
		deferred: map[model.ReadRequest]*deferral{}, good: map[model.ReadRequest]bool{},
		asked: map[model.ReadRequest]time.Time{},
	}
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
	// probeShare is how many times what a try cost the next try of a dead unit
	// is put off, whichever it is: rounds of the others come between.
	probeShare = 3
	// leastAttention is within what every point of a unit that says anything at all
	// is asked, or within three intervals when that is longer.
	leastAttention = 10 * time.Second
	// soon is how soon a unit that was answering is asked again, whatever its
	// interval: while the engine turns a second unseen is long.
	soon = time.Second
)

// attention is a part of the time within what every point of a lively unit is
// asked: what other units of the line take comes on top.
func (g *Group) attention(share float64) time.Duration {
	return time.Duration(share * float64(max(leastAttention, 3*g.Every)))
}

const (
	roundShare = 0.5  // for every read of a group whose unit answers none
	restShare  = 0.6  // for a read that the unit falls silent with
	dueShare   = 0.5  // when a read goes before all others
	lastShare  = 0.75 // when one that the unit falls silent with does
)

// overdue is when a read of a lively unit goes before all others.
func (s *silence) overdue(g *Group, q model.ReadRequest) time.Time {
	if s.asked[q].IsZero() {
		s.asked[q] = time.Now() // the plan is new
	}
	share := dueShare
	if s.deferred[q] != nil && s.deferred[q].blamed > 0 {
		share = lastShare
	}
	return s.asked[q].Add(g.attention(share))
}

func (s *silence) isOverdue(g *Group, q model.ReadRequest) bool {
	return !time.Now().Before(s.overdue(g, q))
}

// note keeps count of a unit's silence; answered says whether any question of
// the round was. The wait before the next try doubles from one interval to a
// minute, and to sixty times what a try costs for each dead unit, so that they
// cost the others little. A unit that has the line to itself costs no other
// and is tried at every round; so is a closed line, for trying it costs nothing.
// Noise counts as silence once it was all that a unit gave in so many rounds as
// make it lost: a starter's sparks last less, and the fast points are wanted then.
// A unit that said something lately is not dead, and is asked on (see hasten).
func (p *poller) note(s *silence, g *Group, err error, answered bool, cost time.Duration) {
	cause := model.NoCause
	if err != nil {
		cause = causeOf(err)
	}
	if cause == model.LineClosed {
		p.lost(err)
	}
	noise := !answered && (cause == model.CorruptAnswer || cause == model.ForeignAnswer)
	if noise && s.failures == 0 && s.noisy < lostAfter {
		s.noisy++
		return
	}
	if answered || cause != model.NoAnswer && !noise {
		s.failures, s.noisy = 0, 0
		if s.unheard == 1 {
			p.hasten(s, g, cost)
		}
		return
	}
	s.failures++
	s.cause = cause
	if p.lively(s, g) {
		p.hasten(s, g, cost)
		return
	}
	wait := min(g.Every<<min(s.failures-1, 12), p.bound(g.Device, cost))
	s.retry = time.Now().Add(wait - g.Every/2)
	p.nextProbe = time.Now().Add(probeShare * cost)
	if p.alone(s) {
		s.retry, p.nextProbe = time.Time{}, time.Time{}
	}
}

// hear takes note that a unit said something: in the round, or to a question
// that the line put by itself.
func (p *poller) hear(s *silence, d model.Device, answered bool) {
	for _, u := range p.line.Health().Units {
		if n := u.Latency.Count(); u.Unit == d.Unit && n != s.answers {
			s.answers, answered = n, true
		}
	}
	if answered {
		s.said = time.Now()
	}
}

// lively reports whether a unit said anything of late.
func (p *poller) lively(s *silence, g *Group) bool {
	return !s.said.IsZero() && time.Since(s.said) < g.attention(2)
}

// hasten has a unit that was answering asked again soon. A round ends with the
// first question that nothing was said to, and the next one goes on from there:
// so the wait leaves time for every read of the group within its attention.
func (p *poller) hasten(s *silence, g *Group, cost time.Duration) {
	wait := time.Duration(0)
	if s.failures > 1 {
		each := g.attention(roundShare) / time.Duration(len(g.Reads))
		wait = min(min(g.Every, soon)<<min(s.failures-2, 12), max(each-cost, 0))
	}
	s.retry = time.Now().Add(wait)
	again := s.retry
	if s.failures < 2 {
		again = later(again, time.Now().Add(min(g.Every, soon)-cost))
	}
	for _, r := range g.Reads {
		again = earlier(again, s.overdue(g, r.ReadRequest))
	}
	s.retry = earlier(s.retry, again)
	for i := range p.groups {
		if p.groups[i] == g && again.Before(p.due[i]) {
			p.due[i] = again
		}
	}
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// deferral is how one read of a unit that answers others fails.
type deferral struct {
	failures int       // since it was answered
	blamed   int       // those that the unit fell silent with
	until    time.Time // not asked before this
}

// errDeferred says that a read is not asked this time.
var errDeferred = errors.New("the read is deferred")

// isDeferred reports whether a read is left out this time. The first time that a unit
// falls silent with it, it only lets the others of its group go first.
func (s *silence) isDeferred(g *Group, q model.ReadRequest) bool {
	if !s.late(q) || s.isOverdue(g, q) {
		return false
	}
	others := slices.ContainsFunc(g.Reads, func(r Read) bool { return !s.late(r.ReadRequest) })
	return s.suspect(q) || others
}

// late reports whether a read is to come later.
func (s *silence) late(q model.ReadRequest) bool {
	return s.deferred[q] != nil && time.Now().Before(s.deferred[q].until)
}

// suspect reports whether a unit fell silent with a read time and again.
func (s *silence) suspect(q model.ReadRequest) bool {
	return s.deferred[q] != nil && s.deferred[q].blamed > 1
}

// answered takes note of a read that the unit said something to. Those that it
// fell silent with just once may have been lost on their way.
func (s *silence) answered(q model.ReadRequest, good bool) {
	s.unheard = 0
	if good {
		delete(s.deferred, q)
		s.good[q] = true
	}
	for _, other := range s.deferred {
		if other.blamed <= 1 {
			other.until = time.Time{}
		}
	}
}

// blame takes note of a read that the unit said nothing to. One that it fell
// silent with may keep all others waiting each time: it is asked less often, and
// as often as everything at least. A unit may also be deaf to what it does not
// hold.
func (p *poller) blame(s *silence, g *Group, r Read) {
	q := r.ReadRequest
	if s.deferred[q] == nil {
		s.deferred[q] = &deferral{}
	}
	of := s.deferred[q]
	of.failures++
	if s.unheard++; s.unheard == 1 {
		of.blamed++
		of.until = time.Now().Add(g.attention(restShare) - g.Every)
	}
	s.postpone(g, q)
	p.doubt(s, g, r)
}

// doubt has a read cut where that is possible when it failed twice and was never
// answered as it is, while others were.
func (p *poller) doubt(s *silence, g *Group, r Read) {
	q := r.ReadRequest
	gaps := slices.DeleteFunc(places(g.Device, r), func(c place) bool { return c.From == c.To })
	never := len(s.good) > 0 && !s.good[q]
	if s.deferred[q].failures < 2 || len(gaps) == 0 || !never || !p.lively(s, g) {
		return
	}
	for _, c := range gaps {
		p.limits[g.Device.Name].cuts = append(p.limits[g.Device.Name].cuts, c.cut)
	}
	delete(s.deferred, q)
	s.split = true
}

// refused takes note of an exception that says nothing of the range: some units
// refuse by one of their own what they do not hold.
func (p *poller) refused(s *silence, g *Group, r Read) {
	if s.deferred[r.ReadRequest] == nil {
		s.deferred[r.ReadRequest] = &deferral{}
	}
	s.deferred[r.ReadRequest].failures++
	p.doubt(s, g, r)
}

// postpone has a read that the unit falls silent with wait for its next turn.
func (s *silence) postpone(g *Group, q model.ReadRequest) {
	if s.suspect(q) {
		s.deferred[q].until = time.Now().Add(g.attention(restShare) - g.Every)
	}
}

// order goes on with a round that was cut short; else those reads go first that
// are worth asking before others. One that the unit fell silent with goes last,
// until it is overdue.
func (s *silence) order(g *Group) {
	rank := func(r Read) int {
		switch {
		case s.unheard > 0 && s.isOverdue(g, r.ReadRequest):
			return -2
		case s.late(r.ReadRequest):
			return 1
		case g.first > 0:
			return 0
		}
		return -first(g.Device, r.Points)
	}
	g.Reads = slices.Concat(g.Reads[g.first:], g.Reads[:g.first])
	slices.SortStableFunc(g.Reads, func(a, b Read) int { return rank(a) - rank(b) })
	g.first = 0
}

// backedOff reports whether a unit is left alone this time.
func (p *poller) backedOff(s *silence, g *Group) bool {
	now := time.Now()
	return s.failures > 0 && (now.Before(s.retry) || now.Before(p.nextProbe) && !p.lively(s, g))
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

// retryNow lets every silent unit be tried at its next round; with forget, when
// the line itself was away and nothing is known of its units.
func (p *poller) retryNow(forget bool) {
	for _, s := range p.silent {
		s.retry = time.Time{}
		if forget {
			s.failures, s.noisy = 0, 0
			clear(s.deferred)
		}
	}
}

// signal shows a poller that a burst is on. The carrier sets it, the poller
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
