package daemon

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"time"

	"tickover/alarms/notify"
	"tickover/collector/forward"
	"tickover/model"
)

// telling is everybody who can be told of alarms.
type telling struct {
	desk    *notify.Dispatcher
	horn    *notify.Horn // nil means none
	heart   *notify.Heartbeat
	routers []*notify.Router
	all     []outlet // what runs beside the desk
}

// buildTelling makes the targets of the configuration. One that cannot work
// says why whenever it is tried.
func (d *Daemon) buildTelling(brokers map[string]*forward.Publisher) *telling {
	o, log := d.Cfg.Outlets, d.log.With("part", "notify")
	t := &telling{horn: notify.NewHorn(o.Hook, log)}
	if t.horn != nil {
		t.all = append(t.all, t.horn)
	}
	var parties []notify.Target
	for _, target := range o.Targets {
		switch target.Kind {
		case model.AlertRouter:
			t.router(d, target, log)
		default:
			parties = append(parties, notify.Target{Target: target, Sender: d.Sender(target, brokers)})
		}
	}
	t.desk = notify.NewDispatcher(notify.Parts{Setup: d.Cfg.Setup, Targets: parties, Routes: o.Routes, Latest: d.Carrier.Latest,
		Now: d.Now(), Folder: d.outletFolder(), Horn: t.horn, Log: log})
	if beat := o.Heartbeat; beat.Given() {
		c, err := d.secrets.Client(beat.Access, Address{beat.URL, beat.Address})
		if err != nil {
			t.all = append(t.all, broken{"heartbeat", "heartbeat", err})
			return t
		}
		beat.URL = StandIn("heartbeat")
		t.heart = notify.NewHeartbeat(beat, c, d.Cfg.Setup.Rating.Name, d.Carrier.Latest, d.Now(), log)
		t.all = append(t.all, t.heart)
	}
	return t
}

// router adds an Alertmanager, told of alarms from the lowest priority on that
// a route leads to it.
func (t *telling) router(d *Daemon, target model.Target, log *slog.Logger) {
	least, routed := model.Critical, false
	for _, r := range d.Cfg.Outlets.Routes {
		if slices.Contains(r.To, target.Name) || slices.Contains(r.Second, target.Name) {
			least, routed = min(least, r.Least), true
		}
	}
	c, err := d.secrets.Client(target.Access, Address{target.URL, target.Address})
	if err == nil && !routed {
		err = &model.Fault{Err: errors.New("no route uses this target"), Hint: "add it to the to: of a route"}
	}
	if err != nil {
		t.all = append(t.all, broken{target.Name, target.Kind.String(), err})
		return
	}
	target.URL = StandIn(target.Name)
	r := notify.NewRouter(target, least, c, d.Cfg.Setup, d.Carrier.Latest, d.Carrier.Changed, d.Now(), log)
	t.routers = append(t.routers, r)
	t.all = append(t.all, r)
}

// Sender makes the way to a target.
func (d *Daemon) Sender(t model.Target, brokers map[string]*forward.Publisher) notify.Sender {
	switch t.Kind {
	case model.Broker:
		if b := brokers[t.Outlet]; b != nil {
			return brokerSender{b}
		}
	case model.Mail:
		settings, err := Encryption(t.Access.TLS)
		if err != nil {
			return unable{err}
		}
		return notify.MailServer{Target: t, TLS: settings, Password: d.mailPassword(t), Failed: WithHint}
	case model.Webhook:
		c, err := d.secrets.Client(t.Access, Address{t.URL, t.Address})
		if err != nil {
			return unable{err}
		}
		return notify.Webhook{URL: StandIn(t.Name), Client: c, Key: d.secrets.Reader(t.Sign)}
	}
	return unable{errors.New("unknown kind of target: " + t.Kind.String())}
}

// mailPassword reads the password of a mail server, which travels as AUTH PLAIN
// writes it (RFC 4616); nil when there is none.
func (d *Daemon) mailPassword(t model.Target) func() (string, error) {
	read := d.secrets.Reader(t.Access.Password)
	if read == nil {
		return nil
	}
	return func() (string, error) {
		password, err := read()
		if err == nil {
			d.secrets.Remember("\x00" + t.Access.User + "\x00" + password)
		}
		return password, err
	}
}

// unable is a way that cannot be gone as it is configured.
type unable struct{ err error }

// Send says why.
func (u unable) Send(context.Context, notify.Digest) error { return u.err }

// brokerSender tells people by a message on a broker.
type brokerSender struct{ broker *forward.Publisher }

// Send implements notify.Sender.
func (s brokerSender) Send(ctx context.Context, d notify.Digest) error {
	text, err := d.JSON()
	if err != nil {
		return err
	}
	return s.broker.Tell(ctx, text)
}

// test tries every way at once.
func (t *telling) test(ctx context.Context, who string) []model.OutletTrial {
	var (
		work    sync.WaitGroup
		routers = make([]model.OutletTrial, len(t.routers))
		heart   []model.OutletTrial
	)
	for i, r := range t.routers {
		work.Go(func() { routers[i] = r.Test(ctx) })
	}
	if t.heart != nil {
		work.Go(func() {
			begin := time.Now()
			err := t.heart.Beat(ctx)
			heart = []model.OutletTrial{{Name: "heartbeat", Kind: "heartbeat", Took: time.Since(begin), Err: err}}
		})
	}
	results := t.desk.Test(ctx, who)
	work.Wait()
	return slices.Concat(results, routers, heart)
}

// remember puts a line on the timeline.
func (d *Daemon) remember(text, who string) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	at := d.Now()()
	err := d.Carrier.Do(ctx, func() error {
		d.Carrier.Record(model.Event{At: at, Kind: model.RemarkEvent, Text: text, Who: who})
		return nil
	})
	if err != nil {
		d.log.Error("timeline entry lost", "text", text, "err", err)
	}
}
