package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"

	"tickover/alarms"
	"tickover/cmd/tickover/page"
	"tickover/collector"
	"tickover/collector/host"
	"tickover/collector/line"
	"tickover/collector/metrics"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// runCommand is the daemon.
type runCommand struct {
	Config string        `help:"Configuration file." default:"/etc/tickover/tickover.yaml" placeholder:"FILE"`
	State  string        `help:"Folder for the store; overrides the configuration." placeholder:"DIR"`
	Listen string        `help:"Address for page and metrics; overrides the configuration." placeholder:"ADDR"`
	For    time.Duration `help:"Stop after this time; 0 runs until told to stop."`
}

// Run runs the daemon until the context ends.
func (c *runCommand) Run(ctx context.Context, s streams) error {
	cfg, err := loadConfig(c.Config, s.err)
	if err != nil {
		return err
	}
	if c.State != "" {
		cfg.StateDir = c.State
	}
	if c.Listen != "" {
		cfg.Listen = c.Listen
	}
	log := slog.New(slog.NewTextHandler(s.err, nil))
	if err := checkAccess(cfg, log); err != nil {
		return err
	}
	d, err := newDaemon(cfg, store.Options{KeepTrying: true}, log)
	if err != nil {
		return err
	}
	log.Info("tickover runs", "page", d.address(), "state", cfg.StateDir)
	if len(cfg.Setup.Devices) == 0 {
		log.Warn(noDevices, "hint", noDevicesHint)
	}
	return d.run(ctx, c.For)
}

// loadConfig reads the configuration. Every mistake is printed; the error
// that comes back only counts them.
func loadConfig(path string, stderr io.Writer) (*config.Config, error) {
	cfg, err := config.Load(path)
	if err != nil {
		return nil, configFault(path, err, stderr)
	}
	return cfg, nil
}

func configFault(path string, err error, stderr io.Writer) error {
	var mistakes config.Mistakes
	switch {
	case errors.As(err, &mistakes):
		fmt.Fprintln(stderr, mistakes.Error())
		if len(mistakes) == 1 {
			return &fault{code: exitConfig, err: fmt.Errorf("%s: 1 mistake", path), hint: "mend it and run tickover check --config " + path}
		}
		return &fault{code: exitConfig, err: fmt.Errorf("%s: %d mistakes", path, len(mistakes)), hint: "mend them and run tickover check --config " + path}
	case errors.Is(err, os.ErrNotExist):
		return &fault{code: exitConfig, err: err, hint: "name the file with --config"}
	}
	return &fault{code: exitConfig, err: err, hint: ""}
}

// loadOutlets reads a file of outlets alone; none when path is empty.
func loadOutlets(path string, stderr io.Writer) (model.Outlets, error) {
	if path == "" {
		return model.Outlets{}, nil
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return model.Outlets{}, configFault(path, err, stderr)
	}
	o, err := config.ParseOutlets(path, text)
	if err != nil {
		return o, configFault(path, err, stderr)
	}
	return o, nil
}

// daemon is everything that runs, in the order it is started; stop ends it in
// reverse.
type daemon struct {
	cfg      *config.Config
	log      *slog.Logger
	secrets  secrets
	token    string // of writing
	reading  string // of reading; empty when everybody may read
	store    *store.Store
	machine  *alarms.Machine
	lines    []*line.Line
	carrier  *collector.Collector
	meter    *metrics.Collector
	host     *host.Machine
	supply   supplyWatch
	source   *source
	listener net.Listener

	mu          sync.Mutex        // guards what follows once the daemon runs
	socket      *net.UnixListener // nil while it cannot be opened
	servers     []*http.Server
	serveSocket func()

	outlets *outlets
}

// newDaemon opens the store, restores the state of alarms and engine and
// begins to listen. Folder, points and log of the options are set here, and
// what the configuration says about the use of the card.
func newDaemon(cfg *config.Config, o store.Options, log *slog.Logger) (*daemon, error) {
	d := &daemon{cfg: cfg}
	d.log = slog.New(d.secrets.handler(log.Handler()))
	var err error
	o.Dir, o.Points, o.Log = cfg.StateDir, cfg.Setup.Points(), d.log.With("part", "store")
	o.MaxBytes, o.KeepSamples = cfg.Store.Room, cfg.Store.Samples
	o.TailBusy, o.TailSteady = cmp.Or(cfg.Store.RiskBusy, o.TailBusy), cmp.Or(cfg.Store.RiskSteady, o.TailSteady)
	d.store, err = store.Open(o)
	if err != nil {
		return nil, fmt.Errorf("open the store in %s: %w", cfg.StateDir, err)
	}
	if err := d.build(); err != nil {
		return nil, errors.Join(err, d.store.Close())
	}
	return d, nil
}

func (d *daemon) build() error {
	d.token = d.takeToken(tokenName)
	if d.cfg.ReadByToken {
		d.reading = d.takeToken(readingTokenName)
	}
	now := d.now()
	d.goOn("the configuration is not on the card yet", d.store.PutSetup(now(), d.cfg.Setup))
	d.goOn("the time of day is not on the card yet", dateBoot(d.store, estimate()))
	d.host = host.Find("/", d.cfg.StateDir)
	d.supply = newSupplyWatch(d.cfg.Setup.Supply, d.cfg.Setup.Rating.Battery, func() *model.Snapshot { return d.carrier.Latest() })
	points := d.host.Points()
	if d.cfg.Listen != "" { // a past day that is only fed has no card of its own to judge
		points[model.HostStoreFault] = model.Point{ID: model.HostStoreFault}
	}
	d.machine = alarms.New(alarms.InForce(rules(d.cfg.Setup), hostRules(points)))
	counted := &hours{now: now, clock: d.store.Clock}
	was, err := restore(d.store, d.machine, counted, d.cfg.Setup.Rating, d.log)
	d.goOn("alarms and engine begin without what was before", err)
	lines := map[string]collector.Line{}
	for _, def := range d.cfg.Setup.Lines {
		l := line.New(def)
		for _, lacks := range l.Health().Lacks {
			d.log.Warn("the port's driver does not do all that is asked of it", "line", def.Name, "setting", lacks)
		}
		d.lines = append(d.lines, l)
		lines[def.Name] = l
	}
	// The carrier is made after its meter; nobody scrapes before.
	d.meter = metrics.New(func() *model.Snapshot { return d.carrier.Latest() }, shown(d.cfg.Setup, d.host, d.supply), now, version())
	d.meter.Nameplate(d.cfg.Setup.Rating)
	d.meter.Count(counted.count)
	step := newDeriver(d.cfg.Setup, was.engine, d.machine.Status, counted, d.meter)
	d.carrier = collector.New(collector.Parts{
		Setup: d.cfg.Setup, Lines: lines, Derive: step.derive, Ready: step.watch.Last, Judge: d.machine, Keep: d.store,
		Now: now, Log: d.log.With("part", "collector"), State: was.state, Since: was.since, Refused: was.refused,
		Tell: func(t []model.AlarmEvent) { d.outlets.tell(t) },
	})
	d.source = newLiveSource(d.store, d.cfg.Setup, d.carrier, d.machine)
	d.outlets = d.buildOutlets()
	d.goOn("what was kept shortly before the last end may not be notified", d.outlets.resume(d.store))
	d.meter.Outlets(d.outlets.Health)
	return d.listen()
}

// listen opens the page's address and the local socket. A configuration with
// no address, which is that of a past day, has neither: who connected would
// wait for an answer and be cut off when the day is over.
func (d *daemon) listen() error {
	if d.cfg.Listen == "" {
		return nil
	}
	var err error
	if d.listener, err = listenOn(d.cfg.Listen); err != nil {
		return err
	}
	d.socket, err = listenLocal(d.cfg.StateDir)
	d.goOn("commands cannot ask this daemon", err)
	return nil
}

// What a daemon says that has nothing to read yet. It runs all the same, so
// that an installation is never a failed service.
const (
	noDevices     = "no devices yet"
	noDevicesHint = "run tickover survey to see who answers, then tickover init, and restart tickover"
)

// status is the daemon in one line, for the service manager.
func (d *daemon) status() string {
	if n := len(d.cfg.Setup.Devices); n > 0 {
		return fmt.Sprintf("devices: %d, lines: %d, page at %s", n, len(d.cfg.Setup.Lines), d.address())
	}
	return noDevices + ": " + noDevicesHint
}

// now is the clock of the running boot.
func (d *daemon) now() func() model.Instant { return instants(d.store.Boot()) }

// address is where the page is.
func (d *daemon) address() string {
	scheme := "http://"
	if g, err := readGuard(d.cfg.WebConfig); err == nil && g.encrypted {
		scheme = "https://"
	}
	return scheme + d.listener.Addr().String()
}

// run polls and serves until the context ends or the time is up, then stops
// in reverse order within ten seconds. A second signal skips the draining,
// not the flush.
func (d *daemon) run(ctx context.Context, limit time.Duration) error {
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
	work.Go(func() { d.store.Run(writing) })
	work.Go(func() { d.carrier.Run(polling); stopWriting() })
	work.Go(func() { watchHost(polling, d.carrier, d.host, d.supply, d.now(), d.log) })
	work.Go(func() { watchClock(polling, d.carrier, d.store, d.log) })
	work.Go(func() { watchStore(polling, d.carrier, d.store, d.now(), d.log) })
	work.Go(func() { d.openSocketLater(polling) })
	d.mark("tickover " + version() + " starts")
	manager := serviceManager{d.log}
	work.Go(func() { manager.feedWatchdog(polling, d.carrier.Alive) })
	manager.tell("READY=1\nSTATUS=" + d.status())
	d.outlets.start()
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
func (d *daemon) mark(text string) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	at := d.now()()
	err := d.carrier.Do(ctx, func() error {
		d.carrier.Record(model.Event{At: at, Kind: model.DaemonEvent, Text: text})
		return nil
	})
	if err != nil {
		d.log.Error("the timeline misses an entry", "text", text, "err", err)
	}
}

// serve starts the servers; a failure of one comes through the channel.
func (d *daemon) serve() <-chan error {
	failed := make(chan error, 2)
	start := func(l net.Listener, h http.Handler, webConfig string) {
		server := newServer(h, d.log)
		d.mu.Lock()
		d.servers = append(d.servers, server)
		d.mu.Unlock()
		go func() {
			if err := serveNetwork(server, l, webConfig, d.log); !errors.Is(err, http.ErrServerClosed) {
				failed <- fmt.Errorf("serve %s: %w", l.Addr(), err)
			}
		}()
	}
	network := d.handler(page.Options{Outlets: d.outlets, Token: d.token, Now: d.now(), Version: version(), Log: d.log.With("part", "page")})
	if d.reading != "" {
		network = page.NewDoor(network, d.reading, d.token)
	}
	g, err := readGuard(d.cfg.WebConfig)
	if err != nil {
		failed <- err
		return failed
	}
	network = page.KnownHosts(network, hostNames(d.cfg, g), g.password || d.reading != "")
	start(d.listener, network, d.cfg.WebConfig)
	local := d.handler(page.Options{Outlets: d.outlets, TrustLocal: true, Now: d.now(), Version: version(), Log: d.log.With("part", "socket")})
	d.serveSocket = func() { start(d.socket, local, "") }
	if d.socket != nil {
		d.serveSocket()
	}
	return failed
}

func (d *daemon) handler(o page.Options) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/metrics", page.ReadOnly(d.meter.Handler(d.log.With("part", "metrics"))))
	mux.Handle("/healthz", page.ReadOnly(http.HandlerFunc(d.healthz)))
	mux.Handle("/", page.New(d.source, o))
	return mux
}

// freshScan is how old the newest scan may be while the daemon is well.
const freshScan = 30 * time.Second

// healthz answers 200 when scans come in, 503 with the reason otherwise. A
// store that cannot keep readings is said but is no reason to restart.
func (d *daemon) healthz(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if len(d.cfg.Setup.Devices) == 0 {
		fmt.Fprintf(w, "%s: %s\n", noDevices, noDevicesHint)
		return
	}
	snapshot := d.carrier.Latest()
	age, _ := d.now()().Sub(snapshot.At)
	if age > freshScan {
		w.WriteHeader(http.StatusServiceUnavailable)
		fmt.Fprintf(w, "no scan for %s\n", model.Lasting(age.Round(time.Second)))
		return
	}
	fmt.Fprintln(w, "scans come in")
	if reason := snapshot.Store.Degraded; reason != "" {
		fmt.Fprintf(w, "the store keeps less than it should: %s\n", reason)
	}
}

// stop ends everything in reverse order of its start: outlets, servers,
// polling, the flush, the store, the lines.
func (d *daemon) stop(stopPolling func(), work *sync.WaitGroup) error {
	second := make(chan os.Signal, 1)
	signal.Notify(second, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer signal.Stop(second)
	d.outlets.end(d.log)
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.socket != nil {
		if err := letIn(ctx, d.socket); err != nil {
			d.log.Warn("who asked over the local socket just now may be cut off", "err", err)
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
		d.log.Warn("a line did not come to rest")
	}
	return d.close()
}

// close gives back what newDaemon took, the flush first.
func (d *daemon) close() error {
	errs := []error{d.store.Flush(), d.store.Close()}
	for _, l := range d.lines {
		errs = append(errs, l.Close())
	}
	if d.cfg.Listen != "" {
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
