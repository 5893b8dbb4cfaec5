package daemon

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"time"

	"tickover/alarms/notify"
	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/record"
	"tickover/collector/forward"
	"tickover/collector/metrics"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// outlet sends something out until the context ends.
type outlet interface {
	Run(context.Context)
	Health() model.OutletHealth
}

// outlets is everything that sends readings and alarms out. It starts last
// and stops first; nothing in it can hold up polling or alarms.
type outlets struct {
	all       []outlet
	telling   *telling
	secrets   *Secrets
	attendant *notify.LoneWorker
	checkIn   model.CheckIn
	stop      context.CancelFunc
	work      sync.WaitGroup
}

// buildOutlets makes the outlets of the configuration. One that cannot work
// says why in its health and keeps the others running.
func (d *Daemon) buildOutlets() *outlets {
	o := &outlets{stop: func() {}, secrets: &d.secrets, checkIn: d.Cfg.Outlets.CheckIn}
	for _, to := range d.Cfg.Outlets.RemoteWrite {
		o.all = append(o.all, d.writer(to))
	}
	brokers := map[string]*forward.Publisher{}
	for _, to := range d.Cfg.Outlets.MQTT {
		o.all = append(o.all, d.publisher(to, brokers))
	}
	o.telling = d.buildTelling(brokers)
	o.all = append(o.all, o.telling.all...)
	o.attendant = notify.NewLoneWorker(d.Cfg.Outlets.CheckIn, o.telling.desk.Send, d.remember, o.telling.horn, d.Now(), d.outletFolder(), d.log.With("part", "check-in"))
	return o
}

// tell hands alarm transitions to those who tell people. It never waits.
func (o *outlets) tell(t []model.AlarmEvent) { o.telling.desk.Offer(t) }

// resume hands over what was kept so shortly before the last end that nobody
// was told of it.
func (o *outlets) resume(s *store.Store) error {
	desk := o.telling.desk
	if desk.Mark().IsZero() {
		return nil
	}
	var journal []model.AlarmEvent
	for e, err := range s.Events(model.Query{From: desk.Mark()}) {
		if err != nil {
			return fmt.Errorf("read events: %w", err)
		}
		if e.Alarm != nil {
			journal = append(journal, *e.Alarm)
		}
	}
	desk.Resume(journal)
	return nil
}

func (o *outlets) Start() {
	ctx, stop := context.WithCancel(context.Background())
	o.stop = stop
	for _, one := range o.all {
		o.work.Go(func() { one.Run(ctx) })
	}
	o.work.Go(func() { o.telling.desk.Run(ctx) })
	o.work.Go(func() { o.attendant.Run(ctx) })
}

// outletsRest is how long outlets have to end what they are at.
const outletsRest = 3 * time.Second

// End stops the outlets and waits a little for them.
func (o *outlets) End(log *slog.Logger) {
	o.stop()
	rested := make(chan struct{})
	go func() { o.work.Wait(); close(rested) }()
	select {
	case <-rested:
	case <-time.After(outletsRest):
		log.Warn("an outlet did not stop in time; unsent data is sent after the next start")
	}
}

// Health is how every outlet fares.
func (o *outlets) Health() []model.OutletHealth {
	var all []model.OutletHealth
	for _, one := range o.all {
		all = append(all, one.Health())
	}
	all = append(all, o.telling.desk.Health()...)
	for i := range all {
		all[i].Trouble, all[i].Hint = o.secrets.Strip(all[i].Trouble), o.secrets.Strip(all[i].Hint)
	}
	return all
}

// Test sends a test message every way there is.
func (o *outlets) Test(ctx context.Context, who string) []model.OutletTrial {
	all := o.telling.test(ctx, who)
	for i := range all {
		all[i].Err = o.secrets.stripError(all[i].Err)
	}
	return all
}

// Sign is a sign of somebody who works alone.
func (o *outlets) Sign(who string, every time.Duration) (model.Presence, error) {
	return o.attendant.CheckIn(who, every)
}

// EndSigns ends the timer.
func (o *outlets) EndSigns(who string) error { return o.attendant.End(who) }

// CheckIn is the timer as it is configured.
func (o *outlets) CheckIn() model.CheckIn { return o.checkIn }

// Presence is where the timer stands; false while no timer runs.
func (o *outlets) Presence() (model.Presence, bool) { return o.attendant.Presence() }

func (d *Daemon) outletFolder() string { return filepath.Join(d.Cfg.StateDir, "outlets") }

// writer makes the outlet of one remote-write server.
func (d *Daemon) writer(to model.RemoteWrite) outlet {
	log := d.log.With("part", "remote write", "outlet", to.Name)
	if u, err := url.Parse(to.URL); d.Cfg.Setup.Simulated && (err != nil || !config.Loopback(u.Hostname())) {
		return broken{to.Name, "remote write", &model.Fault{Err: errors.New("simulated readings are sent to this computer only"),
			Hint: "begin url: with http://127.0.0.1"}}
	}
	c, err := d.secrets.Client(to.Access, Address{to.URL, to.Address})
	if err != nil {
		log.Error("readings are kept but not sent", "err", err)
		return broken{to.Name, "remote write", err}
	}
	to.URL = StandIn(to.Name)
	to.Labels = WithIdentity(to.Labels, d.Cfg.Setup.Rating.Name)
	return forward.NewWriter(forward.Parts{
		To: to, Source: NewKeptReadings(d.source, d.Store), Series: metrics.Naming(d.Cfg.Setup.Points()), Client: c, Now: d.Now(),
		States: &forward.States{Events: d.Store.Events, Engine: metrics.NameEngineState, Alarm: metrics.NameAlarm},
		Folder: d.outletFolder(), Version: api.Version(), Simulated: d.Cfg.Setup.Simulated, Log: log,
	})
}

// publisher makes the outlet of one MQTT broker and notes it among the brokers.
func (d *Daemon) publisher(to model.MQTT, brokers map[string]*forward.Publisher) outlet {
	parts := forward.BrokerParts{To: to, Setup: d.Cfg.Setup, Latest: d.Carrier.Latest, Changed: d.Carrier.Changed, Now: d.Now(),
		Secret: d.secrets.Reader(to.Access.Password), Failed: WithHint, Version: api.Version(), Log: d.log.With("part", "mqtt", "outlet", to.Name)}
	if to.Secure {
		var err error
		if parts.TLS, err = Encryption(to.Access.TLS); err != nil {
			parts.Log.Error("the broker is not told", "err", err)
			return broken{to.Name, "mqtt", err}
		}
	}
	b := forward.NewPublisher(parts)
	brokers[to.Name] = b
	return b
}

// WithIdentity adds the labels job and instance where they are not given: the
// series of two sets must not be the same.
func WithIdentity(labels []model.Label, set string) []model.Label {
	if set == "" {
		set, _ = os.Hostname() // empty at worst, and then the label is left out by the server
	}
	given := map[string]bool{}
	for _, l := range labels {
		given[l.Name] = true
	}
	all := append([]model.Label(nil), labels...)
	for _, l := range []model.Label{{Name: "job", Value: "tickover"}, {Name: "instance", Value: set}} {
		if !given[l.Name] && l.Value != "" {
			all = append(all, l)
		}
	}
	return all
}

// keptReadings is the store as an outlet sees it, derived values included.
type keptReadings struct {
	source *record.Reader
	store  *store.Store
}

// NewKeptReadings hands out what a store kept, with what is worked out from it.
func NewKeptReadings(src *record.Reader, kept *store.Store) keptReadings {
	return keptReadings{src, kept}
}

func (r keptReadings) Scans(q model.Query) iter.Seq2[*model.Scan, error] { return r.source.Scans(q) }

func (r keptReadings) Clock() model.Clock { return r.store.Clock() }

// broken is an outlet that cannot work as it is configured.
type broken struct {
	name, kind string
	err        error
}

// Run does nothing.
func (broken) Run(context.Context) {}

// Health says why.
func (b broken) Health() model.OutletHealth {
	return model.OutletHealth{Name: b.name, Kind: b.kind, Trouble: b.err.Error(), Hint: model.HintOf(b.err)}
}
