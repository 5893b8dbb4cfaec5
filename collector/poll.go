package collector

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"time"

	"tickover/model"
)

// Line is one bus as the collector sees it. It can be read, nothing else.
type Line interface {
	// Open connects now, whatever failed before. The end of the context cuts
	// it short.
	Open(ctx context.Context) error
	Read(ctx context.Context, q model.ReadRequest) (model.Answer, error)
	Health() model.LineHealth
	Close() error
}

// round is one scan on its way to the carrier, with what its device said.
type round struct {
	scan    *model.Scan
	device  string
	err     error // the first failure of the round; nil when every read succeeded
	reads   int
	skipped bool                // the unit was left alone this time
	learned []model.RefusedRead // what the device was found to refuse
}

// yieldAfter is how long a round of a sound unit keeps the others waiting.
const yieldAfter = 200 * time.Millisecond

// poller asks the questions of one line, one at a time.
type poller struct {
	def       model.Line
	line      Line
	groups    []*Group
	due       []time.Time
	fast      []*Group // polled back to back during a burst
	fastDue   []time.Time
	silent    map[string]*silence // by device
	nextProbe time.Time           // no dead unit is tried before this
	limits    map[string]*limits  // by device
	// turnaround is what was measured, and measured at how many answers that is
	// done again, both by device.
	turnaround map[string]time.Duration
	measured   map[string]uint64
	plan       *plan
	// located holds the devices whose chain of models was walked.
	located   map[string]bool
	now       func() model.Instant
	out       chan<- round
	late      func() // counts a skipped round
	log       *slog.Logger
	heartbeat *heartbeat
	signal    *signal
	closed    bool      // the last question found no line
	refusal   error     // why it is closed; says LineClosed
	reopen    time.Time // when opening it is tried next
	tried     bool      // the first opening has ended and that is logged
	gone      time.Time // since when the line is not there; zero while it is
	opening   *opening  // nil when none is under way
	// yielding is set while rounds of other units run in between.
	yielding bool
}

func newPoller(def model.Line, line Line, groups, fast []*Group, now func() model.Instant) *poller {
	p := &poller{
		def: def, line: line, now: now, log: slog.New(slog.DiscardHandler), late: func() {},
		silent: map[string]*silence{}, limits: map[string]*limits{}, located: map[string]bool{},
		turnaround: map[string]time.Duration{}, measured: map[string]uint64{},
		plan: &plan{}, signal: newSignal(), heartbeat: &heartbeat{},
	}
	p.groups, p.fast = own(groups), own(fast)
	for _, g := range p.groups {
		p.silent[g.Device.Name], p.limits[g.Device.Name] = newSilence(), &limits{}
	}
	p.due, p.fastDue = make([]time.Time, len(p.groups)), make([]time.Time, len(p.fast))
	return p
}

// own copies groups, for replanning changes them.
func own(groups []*Group) []*Group {
	var all []*Group
	for _, g := range groups {
		c := *g
		all = append(all, &c)
	}
	return all
}

// run polls until the context ends. Deadlines, not ticks: a round that is
// late is skipped and counted, never queued.
func (p *poller) run(ctx context.Context) {
	if len(p.groups) == 0 {
		return
	}
	p.openFirst(ctx)
	defer p.endOpening()
	p.allDue()
	for ctx.Err() == nil {
		p.settle(ctx)
		i := p.next()
		switch {
		case !time.Now().Before(p.due[i]):
			p.advance(i)
			p.send(ctx, p.round(ctx, p.groups[i]))
			p.skip(i)
		case p.closed && p.opening == nil && !time.Now().Before(p.reopen):
			p.open(ctx)
		case p.signal.on() && p.pollFast(ctx):
		default:
			p.wait(ctx, p.due[i])
		}
	}
}

// send hands a round to the carrier. A question cut short by the end is
// no unit's failure.
func (p *poller) send(ctx context.Context, r round) {
	if ctx.Err() != nil {
		return
	}
	select {
	case p.out <- r:
	case <-ctx.Done():
	}
}

func (p *poller) allDue() {
	now := time.Now()
	for i := range p.due {
		p.due[i] = now
	}
}

// wait sleeps until a group is due, or a closed line is to be tried, or a
// burst begins or goes on.
func (p *poller) wait(ctx context.Context, until time.Time) {
	if p.closed && p.opening == nil && p.reopen.Before(until) {
		until = p.reopen
	}
	for i := range p.fastDue {
		if p.signal.on() && p.answers(p.fast[i]) && p.fastDue[i].Before(until) {
			until = p.fastDue[i]
		}
	}
	by := time.Now().Add(max(time.Until(until), 0) + grace)
	var done chan error
	if p.opening != nil {
		done = p.opening.done
		if p.opening.by.Before(by) {
			by = p.opening.by
		}
	}
	p.heartbeat.promise(by)
	timer := time.NewTimer(time.Until(until))
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-p.signal.wake:
		p.retryNow(false)
	case err := <-done:
		p.opened(ctx, err)
	case <-ctx.Done():
	}
}

// next picks the group to ask next: the one due first, where a group with oil
// pressure or frequency counts as due up to a second earlier than it is; of
// equals, the one with the shortest interval.
func (p *poller) next() int {
	best := 0
	for i := range p.groups {
		switch d := p.urgency(i).Compare(p.urgency(best)); {
		case d < 0, d == 0 && p.groups[i].Every < p.groups[best].Every:
			best = i
		}
	}
	return best
}

func (p *poller) urgency(i int) time.Time {
	now, due := time.Now(), p.due[i]
	if due.After(now) {
		return due
	}
	g := p.groups[i]
	return due.Add(-time.Duration(first(g.Device, g.Points)) * min(g.Every, time.Second))
}

func (p *poller) advance(i int) { p.due[i] = p.due[i].Add(p.groups[i].Every) }

// skip leaves out the rounds that it is too late for.
func (p *poller) skip(i int) {
	if s := p.silent[p.groups[i].Device.Name]; s.unheard == 1 && p.lively(s, p.groups[i]) {
		return // it is asked again at once
	}
	for now := time.Now(); p.due[i].Before(now); {
		p.due[i] = p.due[i].Add(p.groups[i].Every)
		p.late()
	}
}

// pollFast asks the fast points of one device, in turn; false when none is due.
func (p *poller) pollFast(ctx context.Context) bool {
	best := -1
	for i, g := range p.fast {
		if !p.answers(g) || time.Now().Before(p.fastDue[i]) {
			continue
		}
		if best < 0 || p.fastDue[i].Before(p.fastDue[best]) {
			best = i
		}
	}
	if best < 0 {
		return false
	}
	p.fastDue[best] = time.Now().Add(p.fast[best].Every)
	p.send(ctx, p.round(ctx, p.fast[best]))
	return true
}

// answers reports whether a group's device answered when it was last asked. One
// question that was lost is nothing yet.
func (p *poller) answers(g *Group) bool {
	s := p.silent[g.Device.Name]
	return !p.closed && (s.failures == 0 || s.failures == 1 && p.lively(s, g))
}

// round reads one group. It always makes a scan, all Bad if need be, so that
// delays keep running when the line is dead.
func (p *poller) round(ctx context.Context, g *Group) round {
	at := toMillisecond(p.now())
	s, r := p.silent[g.Device.Name], round{device: g.Device.Name}
	switch {
	case p.closed:
		r.scan, r.err = g.decode(at, unasked(g.Reads, model.LineClosed)), p.refusal
		return r
	case p.backedOff(s, g):
		r.scan, r.skipped = g.decode(at, unasked(g.Reads, s.cause)), true
		return r
	}
	began := time.Now()
	read := func(q model.ReadRequest) (model.Answer, error) {
		p.heartbeat.promise(time.Now().Add(2*max(q.Timeout, p.def.ResponseTimeout()) + grace))
		return p.line.Read(ctx, q)
	}
	if err := p.locate(g, read); err != nil {
		p.hear(s, g.Device, causeOf(err) == model.DeviceException)
		p.note(s, g, err, false, time.Since(began))
		r.scan, r.err, r.reads = g.decode(at, unasked(g.Reads, causeOf(err))), err, 1
		return r
	}
	var refused []Read
	answered := false
	s.order(g)
	r.scan, r.reads, r.err = g.Scan(at, p.now, func(q model.ReadRequest) (model.Answer, error) {
		if s.isDeferred(g, q) {
			return model.Answer{}, errDeferred
		}
		p.yield(ctx, s, g, began)
		once := q
		once.Once = s.suspect(q)
		s.asked[q] = time.Now()
		a, err := read(once)
		asked := g.Reads[slices.IndexFunc(g.Reads, func(r Read) bool { return r.ReadRequest == q })]
		answered = p.judge(s, g, asked, err) || answered
		if refusesRange(err) {
			refused = append(refused, asked)
		}
		return a, err
	})
	p.hear(s, g.Device, answered)
	if r.reads == 0 {
		return round{scan: r.scan, device: r.device, skipped: true}
	}
	p.note(s, g, r.err, answered, time.Since(began))
	for _, q := range refused {
		r.learned = append(r.learned, p.learn(g, q, read)...)
	}
	p.measure(g)
	if s.split {
		s.split = false
		p.replan(g.Device)
	}
	return r
}

// judge takes note of how one read of a round ended and reports whether the unit
// said anything.
func (p *poller) judge(s *silence, g *Group, r Read, err error) (answered bool) {
	q := r.ReadRequest
	switch cause := causeOf(err); {
	case err == nil, exceptionOf(err) > 0:
		s.answered(q, err == nil)
		if err != nil && !refusesRange(err) {
			p.refused(s, g, r)
		}
		return true
	case cause == model.DeviceException: // to something that the line put before it
		s.postpone(g, q)
		return true
	case cause == model.NoAnswer:
		p.blame(s, g, r)
	default:
		s.postpone(g, q)
	}
	return false
}

// yield runs the due rounds of sound units between two questions of a round that
// takes long or whose unit is failing: it delays them by one question at most.
func (p *poller) yield(ctx context.Context, s *silence, g *Group, began time.Time) {
	if p.yielding || s.unheard == 0 && s.failures == 0 && time.Since(began) < yieldAfter {
		return
	}
	p.yielding = true
	defer func() { p.yielding = false }()
	for i, other := range p.groups {
		o := p.silent[other.Device.Name]
		if o == s || o.unheard > 0 || o.failures > 0 || time.Now().Before(p.due[i]) {
			continue
		}
		p.advance(i)
		p.send(ctx, p.round(ctx, other))
		p.skip(i)
	}
}

// toMillisecond cuts an instant to what a serial line can tell apart. Finer
// digits are noise, and the store would have to keep every one of them.
func toMillisecond(at model.Instant) model.Instant {
	at.Offset = at.Offset.Truncate(time.Millisecond)
	return at
}

// locate finds the model of a device that has a chain of them, once. All
// groups of the device move with it.
func (p *poller) locate(g *Group, read reader) error {
	if c := g.Device.Chain; c == nil || len(c.Bases) == 0 || p.located[g.Device.Name] {
		return nil
	}
	d, err := locate(g.Device, read)
	if err != nil {
		return err
	}
	p.replan(d)
	p.located[d.Name] = true
	return nil
}

// reader asks one question of a line and waits for its answer.
type reader = func(model.ReadRequest) (model.Answer, error)

// exceptionOf returns the exception that a unit answered with; 0 for none.
func exceptionOf(err error) byte {
	var e *model.ReadError
	if errors.As(err, &e) && e.Cause == model.DeviceException {
		return e.Exception
	}
	return 0
}

func causeOf(err error) model.Cause {
	var e *model.ReadError
	if errors.As(err, &e) {
		return e.Cause
	}
	return model.NoAnswer
}
