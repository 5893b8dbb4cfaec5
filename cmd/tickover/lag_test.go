package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/daemon"
	"tickover/cmd/tickover/record"
	"tickover/collector"
	"tickover/collector/slave"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
	"tickover/model/electrical"
	"tickover/model/performance"
	"tickover/model/plant"
	"tickover/model/transducer"
)

// slowDay polls the simulated set over a line on which every answer takes its
// time, while the set goes on, and keeps what the daemon was given.
type slowDay struct {
	*daemon.Daemon
	cfg    *config.Config
	plant  *plant.Plant
	player *plant.Player
	bank   *slave.Registers
	now    time.Duration
	given  []*model.Scan
}

func (d *slowDay) instant() model.Instant { return model.Instant{Boot: d.Store.Boot(), Offset: d.now} }

func (d *slowDay) pass(until time.Duration) {
	if until > d.now {
		d.player.Advance(until - d.now)
		d.now = until
		instruments(d.bank, &d.cfg.Setup, d.plant)
	}
}

// second asks every group once.
func (d *slowDay) second() {
	begin := d.now
	for _, l := range d.cfg.Setup.Lines {
		for _, g := range d.Carrier.Groups(l.Name) {
			read := func(q model.ReadRequest) (model.Answer, error) {
				d.pass(d.now + collector.WireTime(l, g.Device, q.Table, int(q.Count), collector.Turnaround))
				words, _ := d.bank.Read(q.Unit, q.Table, q.Address, q.Count)
				return model.Answer{Words: words}, nil
			}
			at := model.Instant{Boot: d.Store.Boot(), Offset: d.now.Truncate(time.Millisecond)}
			scan, _, _ := g.Scan(at, d.instant, read)
			given := *scan
			given.Samples = slices.Clone(scan.Samples[:scan.Measured])
			d.given = append(d.given, &given)
			d.Carrier.Feed(scan, g.Device.Name)
		}
	}
	d.pass(begin + time.Second)
}

func startSlowDay(t *testing.T) *slowDay {
	t.Helper()
	cfg, err := config.Parse("demo.yaml", demoConfig)
	if err != nil {
		t.Fatal(err)
	}
	cfg.StateDir, cfg.Listen, cfg.Setup.Simulated = t.TempDir(), "", true
	d, err := daemon.New(cfg, store.Options{KernelBoot: "slow day"}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	script, length := plant.LiveLoop()
	p := plant.New(demoSeed, cfg.Setup.Rating)
	day := &slowDay{Daemon: d, cfg: cfg, plant: p, player: plant.NewPlayer(p, script, length, false), bank: &slave.Registers{}}
	fillChains(day.bank, cfg.Setup.Devices)
	instruments(day.bank, &cfg.Setup, p)
	for day.now < length {
		day.second()
	}
	return day
}

// record works out the run from the scans that the daemon was given, each
// after what change does to it.
func (d *slowDay) record(t *testing.T, run model.Run, events []model.Event, change func(*model.Scan)) *model.RunRecord {
	t.Helper()
	setup, span := d.cfg.Setup, record.RunSpan(run)
	gain := electrical.VoltageGain(slices.Collect(maps.Values(setup.Points())), setup.Rating)
	scans := func(yield func(*model.Scan, error) bool) {
		for _, given := range d.given {
			scan := *given
			scan.Samples = slices.Clone(given.Samples)
			change(&scan)
			transducer.Sense(setup.Sensed, &scan)
			electrical.Derive(setup.Rating, gain, &scan)
			if span.Within(scan.At) && !yield(&scan, nil) {
				return
			}
		}
	}
	rec, err := performance.Record(performance.Input{Run: run, Rating: setup.Rating, Clock: d.Store.Clock(), Scans: scans, Events: events,
		Simulated: true, Limits: setup.Rating.Class, Own: setup.LimitSets})
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

// TestTheStoreTellsWhatTheDaemonKnew works out a run from the scans that the
// daemon carried and from the store. Each answer's own instant must be in
// both; without it the figures would be others.
func TestTheStoreTellsWhatTheDaemonKnew(t *testing.T) {
	t.Parallel()
	d := startSlowDay(t)
	defer d.Close()
	s := record.NewLive(d.Store, d.cfg.Setup, nil, nil)
	run, err := s.Run(context.Background(), "last")
	if err != nil {
		t.Fatal(err)
	}
	events, err := s.EventsOf(run)
	if err != nil {
		t.Fatal(err)
	}
	stored, err := s.Record(context.Background(), "last")
	if err != nil {
		t.Fatal(err)
	}
	same := d.record(t, run, events, func(*model.Scan) {})
	times := func(r *model.RunRecord) string { return fmt.Sprintf("%+v %+v", r.Steps, r.FirstStart) }
	if got, want := times(stored), times(same); got != want {
		t.Errorf("from the store:\n%s\nas the daemon was given it:\n%s", got, want)
	}
	if len(stored.Steps) < 6 {
		t.Errorf("%d load steps", len(stored.Steps))
	}
	without := d.record(t, run, events, func(scan *model.Scan) {
		for i := range scan.Samples {
			scan.Samples[i].Lag = 0
		}
	})
	if times(without) == times(same) {
		t.Error("the figures are the same without lags")
	}
	var out bytes.Buffer
	if err := s.Export(context.Background(), &out, record.RunSpan(run), api.Form{Format: "csv", Lags: true}); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := slices.Index(rows[0], "frequency lag [s]")
	if column < 0 || !slices.ContainsFunc(rows[1:], func(r []string) bool { return len(r[column]) == len("0.076") }) {
		t.Errorf("the export has no lags: %s, %s", rows[0], rows[1])
	}
	checks, err := s.Wiring(context.Background(), record.RunSpan(run))
	if err != nil || len(checks) == 0 || checks[0].Code != "C01" || !strings.Contains(checks[0].Words, "of them within") {
		t.Errorf("the check of devices does not tell how long answers take: %+v, %v", checks, err)
	}
}
