package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"tickover/model"
)

// Target is where messages go, with its sender.
type Target struct {
	model.Target
	Sender Sender
}

// Parts are what a dispatcher is built from.
type Parts struct {
	Setup    model.Setup // whose alarms these are
	Targets  []Target
	Routes   []model.Route
	Latest   func() *model.Snapshot
	Now      func() model.Instant
	Folder   string // keeps queues and what was escalated
	Horn     *Horn  // nil means none
	Log      *slog.Logger
	Patience time.Duration // default of the routes; 0 means 2 min
}

const (
	offerRoom       = 1024 // offers waiting for the dispatcher
	lookEvery       = time.Second
	defaultPatience = 2 * time.Minute
)

// Dispatcher decides who is notified of what. Make one with NewDispatcher.
type Dispatcher struct {
	parts             Parts
	targets           []*targetQueue
	points            map[model.PointID]model.Point
	offers            chan []model.AlarmEvent
	missed            atomic.Uint64   // offers that found no room
	mark              model.Instant   // of the newest offer that is in the queues
	escalated         map[string]bool // escalations
	reportedUnwatched map[string]bool // rules last reported as not monitored
	flood             flood
	disk              *disk
	number            uint64 // of messages, so that no two have one ID
}

// NewDispatcher makes a dispatcher. Messages that waited when the program ended are
// sent when it runs.
func NewDispatcher(p Parts) *Dispatcher {
	if p.Patience == 0 {
		p.Patience = defaultPatience
	}
	d := &Dispatcher{parts: p, points: p.Setup.Points(),
		offers: make(chan []model.AlarmEvent, offerRoom), escalated: map[string]bool{},
		reportedUnwatched: map[string]bool{}, flood: flood{held: map[string]bool{}}, disk: &disk{}}
	for _, t := range p.Targets {
		d.targets = append(d.targets, newTargetQueue(t.Target, t.Sender, p.Folder, d.disk,
			d.emptyDigest, p.Log))
	}
	d.recall()
	d.recallFlood()
	d.readMark()
	return d
}

// emptyDigest is a digest without messages.
func (d *Dispatcher) emptyDigest() Digest {
	r := d.parts.Setup.Rating
	name := r.Name
	if name == "" {
		name = "generating set"
	}
	return Digest{Set: name, Site: r.Site, Simulated: d.parts.Setup.Simulated,
		Clock: d.parts.Latest().Clock}
}

// Offer takes transitions and never waits: the carrier calls it. Those that find no
// room are counted; one message says how many.
func (d *Dispatcher) Offer(transitions []model.AlarmEvent) {
	news := slices.DeleteFunc(slices.Clone(transitions), model.AlarmEvent.Quiet)
	if len(news) == 0 {
		return
	}
	select {
	case d.offers <- news:
	default:
		d.missed.Add(uint64(len(news)))
	}
}

// Run sends messages until the context ends.
func (d *Dispatcher) Run(ctx context.Context) {
	var posts sync.WaitGroup
	defer posts.Wait()
	for _, p := range d.targets {
		posts.Go(func() { p.run(ctx) })
	}
	d.beginMark()
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case news := <-d.offers:
			for _, e := range news {
				d.handle(e)
			}
			d.keepFlood()
			d.setMark(news[len(news)-1].At)
		case <-look.C:
			d.look()
		}
	}
}

// handle sends a transition. That a rule is monitored again is sent only if it was
// reported as not monitored.
func (d *Dispatcher) handle(e model.AlarmEvent) {
	if d.flood.holds(e) {
		return
	}
	again := e.From == e.To && !e.Unwatched && !e.Alone && e.Who == ""
	if again && !d.reportedUnwatched[e.Rule] {
		return
	}
	d.reportedUnwatched[e.Rule] = e.Unwatched
	m := messageOf(e, model.QuantityOf(e.Point, d.points), d.parts.Latest().Clock)
	d.flood.sum(&m)
	d.number++
	m.ID += fmt.Sprintf("-%d", d.number)
	d.route(m)
}

// route queues a message for every target on its routes.
func (d *Dispatcher) route(m Message) {
	var to []string
	for _, r := range d.parts.Routes {
		if m.Priority >= r.Least {
			to = append(to, r.To...)
		}
	}
	d.Send(m, to)
}

// Send queues a message for the targets of these names, once each.
func (d *Dispatcher) Send(m Message, to []string) {
	for _, p := range d.targets {
		if slices.Contains(to, p.target.Name) {
			p.put(m)
		}
	}
}

// look finds alarms that no one acknowledged, and switches the horn.
func (d *Dispatcher) look() {
	if n := d.missed.Swap(0); n > 0 {
		now := d.parts.Now()
		d.route(Message{ID: fmt.Sprintf("%d-%d-missed", now.Boot, now.Offset), Kind: alarmKind,
			At: now, Priority: model.Critical,
			Text: fmt.Sprintf("%d more alarm changes came too fast to send one by one; see the "+
				"alarm journal", n)})
	}
	snapshot := d.parts.Latest()
	awaited := map[string]bool{}
	for _, a := range snapshot.Alarms {
		if a.State.AwaitsPerson() && !d.flood.held[a.Rule.ID] {
			d.escalate(a, awaited)
		}
	}
	maps.DeleteFunc(d.escalated, func(key string, _ bool) bool { return !awaited[key] })
	if h := d.parts.Horn; h != nil {
		h.alarm(slices.ContainsFunc(snapshot.Alarms, func(a model.AlarmStatus) bool {
			return a.State.AwaitsPerson() && a.Rule.Priority >= h.least
		}))
	}
}

// escalate notifies the second contacts of an alarm that waited too long, once. It
// notes in awaited what it looked at.
func (d *Dispatcher) escalate(a model.AlarmStatus, awaited map[string]bool) {
	for i, r := range d.parts.Routes {
		if len(r.Second) == 0 || a.Rule.Priority < r.Least {
			continue
		}
		patience := r.Patience
		if patience == 0 {
			patience = d.parts.Patience
		}
		waited, same := d.parts.Now().Sub(a.Raised)
		key := fmt.Sprintf("%d-%d-%s-%d", a.Raised.Boot, a.Raised.Offset, a.Rule.ID, i)
		awaited[key] = true
		if d.escalated[key] || same && waited < patience {
			continue
		}
		d.escalated[key] = true
		d.remember()
		since := "before the last start of the computer"
		if same {
			since = model.Lasting(waited.Round(time.Second)) + " ago"
		}
		m := Message{ID: key, Kind: escalationKind, At: d.parts.Now(), Priority: a.Rule.Priority,
			Text: fmt.Sprintf("not acknowledged, raised %s: %s: %s", since, a.Rule.Label,
				a.Text(model.QuantityOf(a.Rule.Point, d.points), d.parts.Latest().Clock,
					d.parts.Now()))}
		if a.State.Lasts() {
			m.Action = a.Rule.Action
		}
		d.Send(m, r.Second)
	}
}

func (d *Dispatcher) escalatedFile() string {
	return filepath.Join(d.parts.Folder,
		"escalated.json")
}

// recall reads what was escalated before a restart.
func (d *Dispatcher) recall() {
	text, err := os.ReadFile(d.escalatedFile())
	if err != nil {
		return // none was, or it is sent once more
	}
	var keys []string
	if json.Unmarshal(text, &keys) == nil {
		for _, k := range keys {
			d.escalated[k] = true
		}
	}
}

func (d *Dispatcher) remember() {
	text, err := json.Marshal(slices.Sorted(maps.Keys(d.escalated)))
	if err == nil {
		err = d.disk.replace(d.escalatedFile(), text)
	}
	if err != nil {
		d.parts.Log.Error("an escalation may be sent again after a restart", "err", err)
	}
}

// Health returns the state of every target.
func (d *Dispatcher) Health() []model.OutletHealth {
	var all []model.OutletHealth
	for _, p := range d.targets {
		all = append(all, p.state())
	}
	return all
}
