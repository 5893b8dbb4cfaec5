package main

import (
	"fmt"
	"log/slog"
	"slices"
	"testing"
	"time"

	"tickover/cmd/tickover/daemon"
	"tickover/collector/slave"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
	"tickover/model/plant"
)

// clockDay carries a start, load steps and a stop through every step into a
// store while the time of day is found to be another again and again, and
// returns what the alarms said.
func clockDay(t *testing.T, jumps map[time.Duration]time.Duration) (said []string, raised int) {
	t.Helper()
	cfg, err := config.Parse("demo.yaml", demoConfig)
	if err != nil {
		t.Fatal(err)
	}
	cfg.StateDir, cfg.Listen = t.TempDir(), ""
	d, err := daemon.New(cfg, store.Options{KernelBoot: pastBoot, TailBusy: time.Minute, TailSteady: time.Minute}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	p, bank := plant.New(demoSeed, cfg.Setup.Rating), &slave.Registers{}
	script, length := plant.LiveLoop()
	player := plant.NewPlayer(p, script, length, false)
	fillChains(bank, cfg.Setup.Devices)
	wall := time.Date(2025, 11, 8, 6, 0, 0, 0, time.UTC)
	for at := time.Duration(0); at < length; at += pastStep {
		if jump, ok := jumps[at]; ok {
			estimate := model.ClockEstimate{At: at + pastStart, Wall: wall.Add(at + jump).UnixNano(), Source: model.ClockSynchronised}
			if err := d.Store.Estimate(d.Store.Boot(), estimate); err != nil {
				t.Fatal(err)
			}
		}
		player.Advance(pastStep)
		feed(d, cfg, bank, at, func() { instruments(bank, &cfg.Setup, p) })
	}
	for e, err := range d.Store.Events(model.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if a := e.Alarm; a != nil {
			said = append(said, fmt.Sprintf("%s %s %s", a.At, a.Rule, a.To))
			if a.To == model.AlarmUnacknowledged && a.From != a.To {
				raised++
			}
		}
	}
	return said, raised
}

// The time of day jumps by days and back in every state of the engine: the
// alarms say to the instant what they say without, which is of nothing wrong.
func TestJumpsOfTheTimeOfDayMoveNoAlarm(t *testing.T) {
	t.Parallel()
	still, raised := clockDay(t, map[time.Duration]time.Duration{0: 0})
	if len(still) < 50 || raised != 0 {
		t.Fatalf("without a jump %d transitions, %d of them alarms", len(still), raised)
	}
	jumped, _ := clockDay(t, map[time.Duration]time.Duration{0: 0, 5 * time.Second: 9 * 24 * time.Hour, 30 * time.Second: -3 * time.Hour,
		100 * time.Second: time.Minute, 196 * time.Second: -200 * 24 * time.Hour})
	if !slices.Equal(still, jumped) {
		t.Errorf("with jumps:\n%v\nwithout:\n%v", jumped, still)
	}
}
