package main

import (
	"context"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"tickover/alarms"
	"tickover/cmd/tickover/daemon"
	"tickover/collector"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// The store's state changes seldom and its alarm must stay monitored all the
// same: a minute after the start every set had an alarm that cannot see.
func TestTheStoresAlarmStaysMonitored(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		cfg, err := config.Parse("stall.yaml", []byte(stallConfig))
		if err != nil {
			t.Fatal(err)
		}
		kept, err := store.Open(store.Options{Dir: dir, KernelBoot: "watch", Points: cfg.Setup.Points(), Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		now := func() model.Instant { return model.Instant{Boot: kept.Boot(), Offset: time.Since(began)} }
		machine := alarms.New(daemon.HostRules(map[model.PointID]model.Point{model.HostStoreFault: {ID: model.HostStoreFault}}))
		carrier := collector.New(collector.Parts{Setup: cfg.Setup, Lines: map[string]collector.Line{"skid": &steadyLine{}}, Judge: machine,
			Keep: kept, Now: now, Log: slog.New(slog.DiscardHandler),
			Derive: func(*model.Scan) *model.StateChange { return nil }})
		done := make(chan struct{})
		ctx, stop := context.WithCancel(context.Background())
		go func() { carrier.Run(ctx); close(done) }()
		go daemon.WatchStore(ctx, carrier, kept, now, slog.New(slog.DiscardHandler))
		for i := 0; i < 300 && !t.Failed(); i++ {
			time.Sleep(time.Second)
			for _, a := range carrier.Latest().Alarms {
				if a.Unwatched > 0 || !a.Watching {
					t.Errorf("%s after the start %s is not monitored: %s", time.Since(began), a.Rule.ID, a.Why)
				}
			}
		}
		if n := len(carrier.Latest().Alarms); n != 1 {
			t.Errorf("%d alarms were looked at, want 1", n)
		}
		stop()
		<-done
		if err := kept.Close(); err != nil {
			t.Error(err)
		}
	})
}
