package collector

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"tickover/model"
)

// judge turns scans into alarm transitions. Only the carrier calls it.
type judge interface {
	Step(*model.Scan) []model.AlarmEvent
	Device(at model.Instant, device string, up bool) []model.AlarmEvent
	Status() []model.AlarmStatus
}

// keeper keeps scans and events. Only the carrier calls it, and none of it may
// wait for a card: Health says how that fares.
type keeper interface {
	// Hand takes a scan and its events; an error says that they are refused.
	Hand(*model.Scan, []model.Event) error
	// HandEvents takes events and returns what waits until they are kept.
	HandEvents([]model.Event) (kept func(context.Context) error)
	SetBusy(bool)
	Health() model.StoreHealth
	Clock() model.Clock
}

// Parts are what a collector is built from.
type Parts struct {
	Setup model.Setup
	Lines map[string]Line // by name
	// Derive appends derived samples to the scan, the engine state among
	// them, and returns the change of engine state if there was one.
	Derive func(*model.Scan) *model.StateChange
	// Ready says, right after Derive, whether the set runs steadily; nil
	// leaves it unsaid.
	Ready func() model.Readiness
	Judge judge
	Keep  keeper
	Now   func() model.Instant
	// Tell is handed every alarm transition and must not wait; nil means that
	// no one is notified.
	Tell func([]model.AlarmEvent)
	Log  *slog.Logger
	// Refused is what devices were found to refuse before. What is of another
	// definition of its device is forgotten.
	Refused []model.RefusedRead
	// State and Since are the engine state as it was last kept.
	State model.EngineState
	Since model.Instant
}

// Collector polls and carries. Create it with New.
type Collector struct {
	parts      Parts
	rounds     chan round
	acts       chan func()
	stopped    chan struct{} // closed when Run returned
	devices    map[string]*model.DeviceHealth
	refused    map[string][]model.RefusedRead // by device, known before Run
	definition map[string]string              // of each device, its fingerprint
	late       map[string]*atomic.Uint64      // by line
	groups     map[string][]*Group            // by line
	signals    map[string]*signal             // by line
	burst      *burst
	damp       *damper
	heartbeats map[string]*heartbeat // by line
	plans      map[string]*plan      // by line
	keeping    bool                  // the store took the last scan
	degraded   string                // why the store keeps less, as last logged

	// unkept are the events recorded in the errand under way.
	unkept []func(context.Context) error

	readings map[model.PointID]model.Reading
	state    model.EngineState
	since    model.Instant
	ready    model.Readiness

	latest  atomic.Pointer[model.Snapshot]
	mu      sync.Mutex
	changed chan struct{} // closed when the next snapshot is there
}

// ErrStopped is returned when something is asked of a collector that stopped.
var ErrStopped = errors.New("the collector has stopped")

// New builds a collector. It does not touch the lines.
func New(p Parts) *Collector {
	c := &Collector{
		parts: p, state: p.State, since: p.Since, keeping: true,
		rounds: make(chan round), acts: make(chan func()),
		stopped: make(chan struct{}), changed: make(chan struct{}),
		devices: map[string]*model.DeviceHealth{}, refused: map[string][]model.RefusedRead{},
		definition: map[string]string{}, late: map[string]*atomic.Uint64{},
		groups: map[string][]*Group{}, signals: map[string]*signal{}, plans: map[string]*plan{},
		heartbeats: map[string]*heartbeat{}, readings: map[model.PointID]model.Reading{},
		burst: newBurst(p.Setup.Rating), damp: newDamper(),
	}
	for _, d := range p.Setup.Devices {
		c.devices[d.Name] = &model.DeviceHealth{
			Name: d.Name, Line: d.Line, Unit: d.Unit, Failures: map[model.Cause]uint64{},
		}
		c.definition[d.Name] = d.Fingerprint()
	}
	c.recall(p.Refused)
	for _, l := range p.Setup.Lines {
		c.late[l.Name], c.plans[l.Name] = &atomic.Uint64{}, &plan{}
		c.heartbeats[l.Name] = &heartbeat{}
		c.groups[l.Name], c.signals[l.Name] = Groups(l, p.Setup.Devices), newSignal()
	}
	c.publish(p.Now())
	return c
}

// Run polls every line and carries what comes until the context ends. Then it
// carries what is under way and returns. It does not close lines or store.
func (c *Collector) Run(ctx context.Context) {
	defer close(c.stopped)
	var pollers sync.WaitGroup
	pollers.Go(func() { <-ctx.Done() }) // without a line errands are still taken
	for _, l := range c.parts.Setup.Lines {
		fast := FastGroups(l, c.parts.Setup.Devices)
		p := newPoller(l, c.parts.Lines[l.Name], c.groups[l.Name], fast, c.parts.Now)
		p.out, p.signal, p.late = c.rounds, c.signals[l.Name], func() { c.late[l.Name].Add(1) }
		p.log, p.heartbeat, p.plan = c.parts.Log, c.heartbeats[l.Name], c.plans[l.Name]
		p.show()
		p.recall(c.refused)
		pollers.Go(func() { p.run(ctx) })
	}
	done := make(chan struct{})
	go func() { pollers.Wait(); close(done) }()
	for {
		select {
		case r := <-c.rounds:
			c.carry(r)
		case act := <-c.acts:
			act()
		case <-done:
			c.parts.Keep.HandEvents(c.damp.rest())
			return
		}
	}
}

// KeptWithin is how long Do waits until what was recorded is on the card.
const KeptWithin = 8 * time.Second

// Do runs a function between two rounds, where alarms may be changed, and waits
// for it. The snapshot is made again afterwards. What the function recorded is
// on the card when Do returns nil; the wait for that is not the carrier's, ends
// after KeptWithin, and then returns the store's error. Do returns ErrStopped
// when the collector is not running any more, or the context's error.
func (c *Collector) Do(ctx context.Context, act func() error) error {
	type outcome struct {
		err  error
		kept []func(context.Context) error
	}
	result := make(chan outcome, 1)
	errand := func() {
		c.unkept = nil
		err := act()
		c.publish(c.parts.Now())
		result <- outcome{err, c.unkept}
		c.unkept = nil
	}
	select {
	case c.acts <- errand:
	case <-c.stopped:
		return ErrStopped
	case <-ctx.Done():
		return ctx.Err()
	}
	o := <-result
	ctx, cancel := context.WithTimeout(ctx, KeptWithin)
	defer cancel()
	for _, kept := range o.kept {
		o.err = cmp.Or(o.err, kept(ctx))
	}
	return o.err
}

// Latest returns the newest snapshot; never nil.
func (c *Collector) Latest() *model.Snapshot { return c.latest.Load() }

// Changed returns a channel that is closed when the next snapshot is there.
func (c *Collector) Changed() <-chan struct{} {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.changed
}

// Groups returns the groups polled on a line, with their planned reads.
func (c *Collector) Groups(line string) []*Group { return c.groups[line] }

// Feed carries one scan that was made elsewhere, as the demonstration's past
// day and the computer's own facts are. While Run runs, call it within Do.
func (c *Collector) Feed(scan *model.Scan, device string) {
	c.carry(round{scan: scan, device: device, reads: 1})
}

func (c *Collector) lineHealth() []model.LineHealth {
	var all []model.LineHealth
	for _, l := range c.parts.Setup.Lines {
		line, ok := c.parts.Lines[l.Name]
		if !ok {
			continue
		}
		h := line.Health()
		h.Name, h.Kind = l.Name, l.Kind
		if len(c.groups[l.Name]) == 0 {
			h.Trouble = "no device is polled on it, so it is left closed"
		}
		c.plans[l.Name].share(l, &h)
		h.Overruns, h.Burst = c.late[l.Name].Load(), c.signals[l.Name].on()
		all = append(all, h)
	}
	return all
}
