package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"

	"tickover/alarms"
	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/page"
	"tickover/cmd/tickover/record"
	"tickover/collector"
	"tickover/collector/host"
	"tickover/collector/line"
	"tickover/collector/metrics"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// Daemon is everything that runs, in the order it is started; stop ends it in
// reverse.
type Daemon struct {
	Cfg      *config.Config
	log      *slog.Logger
	secrets  Secrets
	token    string // of writing
	reading  string // of reading; empty when everybody may read
	Store    *store.Store
	Machine  *alarms.Machine
	lines    []*line.Line
	Carrier  *collector.Collector
	meter    *metrics.Collector
	host     *host.Machine
	supply   record.SupplyWatch
	source   *record.Reader
	listener net.Listener

	mu          sync.Mutex        // guards what follows once the daemon runs
	socket      *net.UnixListener // nil while it cannot be opened
	servers     []*http.Server
	serveSocket func()

	Outlets *outlets
}

// New opens the store, restores the state of alarms and engine and
// begins to listen. Folder, points and log of the options are set here, and
// what the configuration says about the use of the card.
func New(cfg *config.Config, o store.Options, log *slog.Logger) (*Daemon, error) {
	d := &Daemon{Cfg: cfg}
	d.log = slog.New(d.secrets.Handler(log.Handler()))
	var err error
	o.Dir, o.Points, o.Log = cfg.StateDir, cfg.Setup.Points(), d.log.With("part", "store")
	o.MaxBytes, o.KeepSamples = cfg.Store.Room, cfg.Store.Samples
	o.TailBusy, o.TailSteady = cmp.Or(cfg.Store.RiskBusy, o.TailBusy), cmp.Or(cfg.Store.RiskSteady, o.TailSteady)
	d.Store, err = store.Open(o)
	if err != nil {
		return nil, fmt.Errorf("open the store in %s: %w", cfg.StateDir, err)
	}
	if err := d.build(); err != nil {
		return nil, errors.Join(err, d.Store.Close())
	}
	return d, nil
}

func (d *Daemon) build() error {
	d.token = d.takeToken(TokenName)
	if d.Cfg.ReadByToken {
		d.reading = d.takeToken(ReadingTokenName)
	}
	now := d.Now()
	d.goOn("the configuration is not saved yet", d.Store.PutSetup(now(), d.Cfg.Setup))
	d.goOn("the time of day is not saved yet", dateBoot(d.Store, Estimate()))
	d.host = host.Find("/", d.Cfg.StateDir)
	d.supply = record.NewSupplyWatch(d.Cfg.Setup.Supply, d.Cfg.Setup.Rating.Battery, func() *model.Snapshot { return d.Carrier.Latest() })
	points := d.host.Points()
	if d.Cfg.Listen != "" { // a past day that is only fed has no card of its own to judge
		points[model.HostStoreFault] = model.Point{ID: model.HostStoreFault}
	}
	d.Machine = alarms.New(alarms.InForce(record.Rules(d.Cfg.Setup), HostRules(points)))
	counted := &hours{now: now, clock: d.Store.Clock}
	was, err := restore(d.Store, d.Machine, counted, d.Cfg.Setup.Rating, d.log)
	d.goOn("alarms and engine start without their earlier state", err)
	lines := map[string]collector.Line{}
	for _, def := range d.Cfg.Setup.Lines {
		l := line.New(def)
		for _, lacks := range l.Health().Lacks {
			d.log.Warn("the port's driver lacks a setting", "line", def.Name, "setting", lacks)
		}
		d.lines = append(d.lines, l)
		lines[def.Name] = l
	}
	// The carrier is made after its meter; nobody scrapes before.
	d.meter = metrics.New(func() *model.Snapshot { return d.Carrier.Latest() }, shown(d.Cfg.Setup, d.host, d.supply), now, api.Version())
	d.meter.Nameplate(d.Cfg.Setup.Rating)
	d.meter.Count(counted.count)
	step := newDeriver(d.Cfg.Setup, was.engine, d.Machine.Status, counted, d.meter)
	d.Carrier = collector.New(collector.Parts{
		Setup: d.Cfg.Setup, Lines: lines, Derive: step.derive, Ready: step.watch.Last, Judge: d.Machine, Keep: d.Store,
		Now: now, Log: d.log.With("part", "collector"), State: was.state, Since: was.since, Refused: was.refused,
		Tell: func(t []model.AlarmEvent) { d.Outlets.tell(t) },
	})
	d.source = record.NewLive(d.Store, d.Cfg.Setup, d.Carrier, d.Machine)
	d.Outlets = d.buildOutlets()
	d.goOn("alarms shortly before the last stop may not be notified", d.Outlets.resume(d.Store))
	d.meter.Outlets(d.Outlets.Health)
	return d.listen()
}

// listen opens the page's address and the local socket. A configuration with
// no address, which is that of a past day, has neither: who connected would
// wait for an answer and be cut off when the day is over.
func (d *Daemon) listen() error {
	if d.Cfg.Listen == "" {
		return nil
	}
	var err error
	if d.listener, err = listenOn(d.Cfg.Listen); err != nil {
		return err
	}
	d.socket, err = ListenLocal(d.Cfg.StateDir)
	d.goOn("commands cannot reach this daemon", err)
	return nil
}

// What a daemon says that has nothing to read yet. It runs all the same, so
// that an installation is never a failed service.
const (
	NoDevices     = "no devices yet"
	NoDevicesHint = "run tickover survey to find the units, then tickover init, and restart tickover"
)

// status is the daemon in one line, for the service manager.
func (d *Daemon) status() string {
	if n := len(d.Cfg.Setup.Devices); n > 0 {
		return fmt.Sprintf("devices: %d, lines: %d, page at %s", n, len(d.Cfg.Setup.Lines), d.Address())
	}
	return NoDevices + ": " + NoDevicesHint
}

// Now is the clock of the running boot.
func (d *Daemon) Now() func() model.Instant { return record.Instants(d.Store.Boot()) }

// Address is where the page is.
func (d *Daemon) Address() string {
	scheme := "http://"
	if g, err := ReadGuard(d.Cfg.WebConfig); err == nil && g.encrypted {
		scheme = "https://"
	}
	return scheme + d.listener.Addr().String()
}

// Run polls and serves until the context ends or the time is up, then stops
// in reverse order within ten seconds. A second signal skips the draining,
// not the flush.
func (d *Daemon) Run(ctx context.Context, limit time.Duration) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if limit > 0 {
		ctx, cancel = context.WithTimeout(ctx, limit)
		defer cancel()
	}
	failed := d.serve()
	polling, stopPolling := context.WithCancel(context.Background())
	defer stopPolling()
	writing, stopWriting := context.WithCancel(context.Background())
	defer stopWriting()
	var work sync.WaitGroup
	work.Go(func() { d.Store.Run(writing) })
	work.Go(func() { d.Carrier.Run(polling); stopWriting() })
	work.Go(func() { watchHost(polling, d.Carrier, d.host, d.supply, d.Now(), d.log) })
	work.Go(func() { watchClock(polling, d.Carrier, d.Store, d.log) })
	work.Go(func() { WatchStore(polling, d.Carrier, d.Store, d.Now(), d.log) })
	work.Go(func() { d.openSocketLater(polling) })
	d.mark("tickover " + api.Version() + " starts")
	manager := serviceManager{d.log}
	work.Go(func() { manager.feedWatchdog(polling, d.Carrier.Alive) })
	manager.tell("READY=1\nSTATUS=" + d.status())
	d.Outlets.Start()
	var err error
	select {
	case <-ctx.Done():
	case err = <-failed:
	}
	manager.tell("STOPPING=1")
	d.mark("tickover stops")
	return errors.Join(err, d.stop(stopPolling, &work))
}

// mark puts the daemon's start or stop on the timeline.
func (d *Daemon) mark(text string) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	at := d.Now()()
	err := d.Carrier.Do(ctx, func() error {
		d.Carrier.Record(model.Event{At: at, Kind: model.DaemonEvent, Text: text})
		return nil
	})
	if err != nil {
		d.log.Error("timeline entry lost", "text", text, "err", err)
	}
}

// serve starts the servers; a failure of one comes through the channel.
func (d *Daemon) serve() <-chan error {
	failed := make(chan error, 2)
	start := func(l net.Listener, h http.Handler, webConfig string) {
		server := NewServer(h, d.log)
		d.mu.Lock()
		d.servers = append(d.servers, server)
		d.mu.Unlock()
		go func() {
			if err := serveNetwork(server, l, webConfig, d.log); !errors.Is(err, http.ErrServerClosed) {
				failed <- fmt.Errorf("serve %s: %w", l.Addr(), err)
			}
		}()
	}
	network := d.handler(page.Options{Token: d.token, Now: d.Now(), Version: api.Version(), Log: d.log.With("part", "page")})
	if d.reading != "" {
		network = page.RequireToken(network, d.reading, d.token)
	}
	g, err := ReadGuard(d.Cfg.WebConfig)
	if err != nil {
		failed <- err
		return failed
	}
	network = page.KnownHosts(network, hostNames(d.Cfg, g), g.password || d.reading != "")
	start(d.listener, network, d.Cfg.WebConfig)
	local := d.handler(page.Options{TrustLocal: true, Now: d.Now(), Version: api.Version(), Log: d.log.With("part", "socket")})
	d.serveSocket = func() { start(d.socket, local, "") }
	if d.socket != nil {
		d.serveSocket()
	}
	return failed
}

func (d *Daemon) handler(o page.Options) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/metrics", page.ReadOnly(d.meter.Handler(d.log.With("part", "metrics"))))
	mux.Handle("/healthz", page.ReadOnly(http.HandlerFunc(d.healthz)))
	r := d.source
	mux.Handle("/", page.New(page.Parts{Live: r, Runs: r, Timeline: r, Boxes: r, Alarms: r, Trends: r, Files: r,
		Notes: r, Measurements: r, Wiring: r, Outlets: d.Outlets, CheckIns: d.Outlets}, o))
	return mux
}

// freshScan is how old the newest scan may be while the daemon is well.
const freshScan = 30 * time.Second

// healthz answers 200 when scans come in, 503 with the reason otherwise. A
// store that cannot keep readings is said but is no reason to restart.
func (d *Daemon) healthz(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if len(d.Cfg.Setup.Devices) == 0 {
		fmt.Fprintf(w, "%s: %s\n", NoDevices, NoDevicesHint)
		return
	}
	snapshot := d.Carrier.Latest()
	age, _ := d.Now()().Sub(snapshot.At)
	if age > freshScan {
		w.WriteHeader(http.StatusServiceUnavailable)
		fmt.Fprintf(w, "no scan for %s\n", model.Lasting(age.Round(time.Second)))
		return
	}
	fmt.Fprintln(w, "scans arrive")
	if reason := snapshot.Store.Degraded; reason != "" {
		fmt.Fprintf(w, "the store is degraded: %s\n", reason)
	}
}

// stop ends everything in reverse order of its start: outlets, servers,
// polling, the flush, the store, the lines.
func (d *Daemon) stop(stopPolling func(), work *sync.WaitGroup) error {
	second := make(chan os.Signal, 1)
	signal.Notify(second, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer signal.Stop(second)
	d.Outlets.End(d.log)
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.socket != nil {
		if err := DrainAccept(ctx, d.socket); err != nil {
			d.log.Warn("a command on the local socket may be cut off", "err", err)
		}
	}
	for _, s := range d.servers {
		if s.Shutdown(ctx) != nil {
			s.Close() // streams that do not end by themselves
		}
	}
	stopPolling()
	drained := make(chan struct{})
	go func() { work.Wait(); close(drained) }()
	select {
	case <-drained:
	case <-second:
		d.log.Warn("second signal: stopping without waiting for the lines")
	case <-time.After(4 * time.Second):
		d.log.Warn("a line did not stop in time")
	}
	return d.Close()
}

// Close gives back what newDaemon took, the flush first.
func (d *Daemon) Close() error {
	errs := []error{d.Store.Flush(), d.Store.Close()}
	for _, l := range d.lines {
		errs = append(errs, l.Close())
	}
	if d.Cfg.Listen != "" {
		open := []net.Listener{d.listener}
		if d.socket != nil {
			open = append(open, d.socket)
		}
		for _, l := range open {
			if err := l.Close(); !errors.Is(err, net.ErrClosed) { // a server that shut down closed it
				errs = append(errs, err)
			}
		}
	}
	return errors.Join(errs...)
}
