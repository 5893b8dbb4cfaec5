package main

import (
	"log/slog"
	"testing"
	"time"

	"tickover/cmd/tickover/daemon"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// The configuration's word on how long samples are kept reaches the store: a
// daemon that logs five hours keeps about the last one, and every minute.
func TestDaemonThinsOutAsConfigured(t *testing.T) {
	text := append([]byte("state dir: "+t.TempDir()+"\nlisten: 127.0.0.1:0\nstore:\n  keep samples: 1 h\n  at risk while steady: 9 min\n"),
		"lines: [{name: a, modbus tcp: 127.0.0.1:1}]\ndevices: [{name: d, line: a, unit: 1, profile: sunspec 201}]\n"...)
	cfg, err := config.Parse("x.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	d, err := daemon.New(cfg, store.Options{KernelBoot: "thinning"}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	})
	const seconds, every = 5 * 3600, 10
	for at := 0; at < seconds; at += every {
		scan := &model.Scan{Group: "d/10s", At: model.Instant{Boot: d.Store.Boot(), Offset: time.Duration(at) * time.Second},
			Samples: []model.Sample{model.GoodSample(model.FrequencyPoint, 50+float64(at%7)/100)}, Measured: 1}
		if err := d.Store.Append(scan, nil); err != nil {
			t.Fatal(err)
		}
	}
	rows, minutes := 0, 0
	for _, err := range d.Store.Scans(model.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		rows++
	}
	for m, err := range d.Store.Minutes(model.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		minutes += len(m.At)
	}
	if hour := 3600 / every; rows < hour || rows > 2*hour || minutes != seconds/60 {
		t.Errorf("%d samples and %d minutes of five hours are left", rows, minutes)
	}
}
