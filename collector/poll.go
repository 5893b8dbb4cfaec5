package collector

import (
	"context"
	"errors"
	"time"

	"tickover/model"
)

// Line is one bus as the collector sees it. It can be read, nothing else.
type Line interface {
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
	skipped bool // the unit was left alone this time
}

// poller asks the questions of one line, one at a time.
type poller struct {
	def    model.Line
	line   Line
	groups []*Group
	due    []time.Time
	silent map[string]*silence // by device
	// located holds the devices whose chain of models was walked.
	located map[string]bool
	now     func() model.Instant
	out     chan<- round
	late    func() // counts a skipped round
}

// silence remembers how long a unit has not answered.
type silence struct {
	failures int
	retry    time.Time // not asked before this
}

// longestSilence bounds how rarely a unit that does not answer is tried.
const longestSilence = 60 * time.Second

func newPoller(def model.Line, line Line, groups []*Group, now func() model.Instant, out chan<- round, late func()) *poller {
	p := &poller{def: def, line: line, silent: map[string]*silence{}, located: map[string]bool{}, now: now, out: out, late: late}
	for _, g := range groups {
		own := *g // locate changes it
		p.groups = append(p.groups, &own)
		p.silent[g.Device.Name] = &silence{}
	}
	return p
}

// run polls until the context ends. Deadlines, not ticks: a round that is
// late is skipped and counted, never queued.
func (p *poller) run(ctx context.Context) {
	start := time.Now()
	p.due = make([]time.Time, len(p.groups))
	for i := range p.due {
		p.due[i] = start
	}
	for len(p.groups) > 0 {
		i := p.next()
		if !sleepUntil(ctx, p.due[i]) {
			return
		}
		r := p.round(ctx, p.groups[i])
		if ctx.Err() != nil {
			return // a question cut short by the end is nobody's failure
		}
		select {
		case p.out <- r:
		case <-ctx.Done():
			return
		}
		p.advance(i)
	}
}

// next picks the group due first; of equals, the one with the shortest
// interval.
func (p *poller) next() int {
	best := 0
	for i := range p.groups {
		switch d := p.due[i].Compare(p.due[best]); {
		case d < 0, d == 0 && p.groups[i].Every < p.groups[best].Every:
			best = i
		}
	}
	return best
}

func (p *poller) advance(i int) {
	p.due[i] = p.due[i].Add(p.groups[i].Every)
	for now := time.Now(); p.due[i].Before(now); {
		p.due[i] = p.due[i].Add(p.groups[i].Every)
		p.late()
	}
}

// round reads one group. It always makes a scan, all Bad if need be, so that
// delays keep running when the line is dead.
func (p *poller) round(ctx context.Context, g *Group) round {
	at := p.now()
	s := p.silent[g.Device.Name]
	if s.failures > 0 && time.Now().Before(s.retry) {
		return round{scan: g.decode(at, unasked(g.Reads, model.NoAnswer)), device: g.Device.Name, skipped: true}
	}
	read := func(q model.ReadRequest) (model.Answer, error) { return p.line.Read(ctx, q) }
	if err := p.locate(g, read); err != nil {
		p.note(s, g, err)
		return round{scan: g.decode(at, unasked(g.Reads, causeOf(err))), device: g.Device.Name, err: err, reads: 1}
	}
	scan, reads, err := g.Scan(at, p.now, read)
	p.note(s, g, err)
	return round{scan: scan, device: g.Device.Name, err: err, reads: reads}
}

// locate finds the model of a device that has a chain of them, once. All
// groups of the device move with it.
func (p *poller) locate(g *Group, read func(model.ReadRequest) (model.Answer, error)) error {
	if c := g.Device.Chain; c == nil || len(c.Bases) == 0 || p.located[g.Device.Name] {
		return nil
	}
	d, err := locate(g.Device, read)
	if err != nil {
		return err
	}
	for _, other := range p.groups {
		if other.Device.Name == d.Name {
			other.Device = d
			other.Reads = Plan(p.def, d, other.Points, Turnaround)
		}
	}
	p.located[d.Name] = true
	return nil
}

// note keeps count of a unit's silence. The wait before the next try doubles
// from one interval to a minute, so that a dead unit costs the others little.
// A closed line is tried at every round: trying costs nothing.
func (p *poller) note(s *silence, g *Group, err error) {
	if err == nil || causeOf(err) != model.NoAnswer {
		s.failures = 0
		return
	}
	s.failures++
	wait := min(g.Every<<min(s.failures-1, 6), longestSilence)
	s.retry = time.Now().Add(wait - g.Every/2)
}

func causeOf(err error) model.Cause {
	var e *model.ReadError
	if errors.As(err, &e) {
		return e.Cause
	}
	return model.NoAnswer
}

// sleepUntil waits for a moment; false when the context ended first.
func sleepUntil(ctx context.Context, t time.Time) bool {
	wait := time.Until(t)
	if wait <= 0 {
		return ctx.Err() == nil
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}
