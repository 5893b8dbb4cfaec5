package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"sync"
	"syscall"
	"testing"
	"time"

	"tickover/cmd/tickover/client"
	"tickover/cmd/tickover/page"
	"tickover/cmd/tickover/record"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// soaked makes a store that holds a run of so many hours at 1 Hz, with a load
// step every hour.
func soaked(b *testing.B, hours int) *record.Reader {
	b.Helper()
	cfg, err := config.Parse("demo.yaml", demoConfig)
	if err != nil {
		b.Fatal(err)
	}
	s, err := store.Open(store.Options{Dir: b.TempDir(), KernelBoot: "bench", Points: cfg.Setup.Points(), TailBusy: time.Minute, TailSteady: time.Minute, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	boot := s.Boot()
	at := func(sec int) model.Instant {
		return model.Instant{Boot: boot, Offset: time.Duration(sec) * time.Second}
	}
	if err := s.Estimate(boot, model.ClockEstimate{Wall: time.Date(2025, 11, 8, 6, 0, 0, 0, time.UTC).UnixNano(), Source: model.ClockSynchronised}); err != nil {
		b.Fatal(err)
	}
	changes := map[int][2]model.EngineState{100: {model.Standstill, model.Cranking}, 103: {model.Cranking, model.RunningUp}, 106: {model.RunningUp, model.Unloaded}, 200: {model.Unloaded, model.Loaded}}
	for sec := range hours * 3600 {
		var events []model.Event
		if c, ok := changes[sec]; ok {
			events = []model.Event{{At: at(sec), Kind: model.EngineEvent, Engine: &model.StateChange{From: c[0], To: c[1]}}}
		}
		for _, scan := range soakScans(at(sec), sec) {
			if err := s.Append(scan, events); err != nil {
				b.Fatal(err)
			}
			events = nil
		}
	}
	return record.NewLive(s, cfg.Setup, nil, nil)
}

// soakScans is what the instruments show in one second of the soak.
func soakScans(at model.Instant, sec int) []*model.Scan {
	noise := func(k int) float64 { return math.Sin(float64(sec*(k+3))*0.37) * 0.2 }
	running, load := 0.0, 0.0
	if sec > 106 {
		running = 1
	}
	if sec > 200 {
		load = 8000 + 4000*float64(sec/3600%5)
	}
	meter, engine := &model.Scan{Group: "meter/1s", At: at}, &model.Scan{Group: "engine/1s", At: at}
	add := func(s *model.Scan, p model.PointID, v, step float64) {
		s.Samples = append(s.Samples, model.GoodSample(p, math.Round(v/step)*step))
	}
	add(meter, model.FrequencyPoint, running*(51.5-load/20000+noise(0)*0.1), 0.01)
	for i := range 3 {
		add(meter, model.PhaseVoltages[i], running*(230+noise(i)), 0.1)
		add(meter, model.LineVoltages[i], running*(398+noise(i)), 0.1)
		add(meter, model.PhaseCurrents[i], load/690+noise(i)*running, 0.01)
		add(meter, model.PhaseActive[i], load/3+noise(i)*10*running, 10)
	}
	add(meter, model.PowerActive, load+noise(9)*10*running, 10)
	add(engine, model.OilPressure, running*3.2e5+noise(1)*1000, 625)
	add(engine, model.CoolantTemperature, 20+running*60+noise(2), 0.1)
	add(engine, model.AmbientTemperature, 15+noise(3), 0.1)
	add(engine, model.BatteryVoltage, 12.6+running*1.5, 0.01)
	meter.Measured, engine.Measured = len(meter.Samples), len(engine.Samples)
	return []*model.Scan{meter, engine}
}

// BenchmarkReport writes the HTML report of a soak.
func BenchmarkReport(b *testing.B) {
	for _, hours := range []int{8, 72} {
		b.Run(fmt.Sprintf("%dh", hours), func(b *testing.B) {
			s := soaked(b, hours)
			var out bytes.Buffer
			for b.Loop() {
				out.Reset()
				if err := s.Report(context.Background(), &out, "last", "html"); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/report")
			b.ReportMetric(float64(out.Len())/1000, "kB")
		})
	}
}

// BenchmarkOpenPages is what fifty open pages cost while a scan comes every
// half second: the share of one core, reading the streams included.
func BenchmarkOpenPages(b *testing.B) {
	s := soaked(b, 1)
	live := &ticking{Reader: s, snap: s.Latest(), changed: make(chan struct{})}
	parts := client.PartsOf(s)
	parts.Live = live
	server := httptest.NewServer(page.New(parts, page.Options{TrustLocal: true}))
	defer server.Close()
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	for range 50 {
		req, _ := http.NewRequestWithContext(ctx, "GET", server.URL+"/api/v1/stream?view=page", nil)
		answer, err := http.DefaultClient.Do(req)
		if err != nil {
			b.Fatal(err)
		}
		go func() {
			io.Copy(io.Discard, answer.Body)
			answer.Body.Close()
		}()
	}
	for b.Loop() {
		before, began := burnt(), time.Now()
		for range 10 {
			time.Sleep(500 * time.Millisecond)
			live.tick()
		}
		b.ReportMetric(100*float64(burnt()-before)/float64(time.Since(began)), "%core")
	}
}

// ticking is a source whose snapshot is renewed by hand.
type ticking struct {
	*record.Reader
	mu      sync.Mutex
	snap    *model.Snapshot
	changed chan struct{}
}

func (t *ticking) Latest() *model.Snapshot {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.snap
}

func (t *ticking) Changed() <-chan struct{} {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.changed
}

func (t *ticking) tick() {
	t.mu.Lock()
	defer t.mu.Unlock()
	next := *t.snap
	next.At = next.At.Add(500 * time.Millisecond)
	t.snap = &next
	close(t.changed)
	t.changed = make(chan struct{})
}

func burnt() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
