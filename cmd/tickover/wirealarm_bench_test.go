package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tickover/cmd/tickover/daemon"
	"tickover/collector/slave"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// wireAlarm is a set with one value and one alarm that waits for nothing.
const wireAlarm = `
set: {name: bench}
lines: [{name: skid, serial: /dev/ttyUSB0, baud: 19200, parity: even, timeout: 200 ms}]
devices:
  - {name: box, line: skid, unit: 1, every: 200 ms, points: [{point: coolant.temperature, register: input 0, type: unsigned 16, one count is: 1 K}]}
alarms: [{name: bench.hot, label: bench, priority: critical, point: coolant.temperature, above: 150 °C}]
`

// crossing is a slave's end of the wire that notes when an answer's last byte
// with a new value was through.
type crossing struct {
	*os.File
	mu    sync.Mutex
	frame []byte
	begun time.Time
	value uint16
	at    time.Time // when the value came to stand on the wire
}

// answerBytes is unit, function, count, one register and the checksum.
const answerBytes = 7

// Write implements io.Writer.
func (c *crossing) Write(p []byte) (int, error) {
	n, err := c.File.Write(p)
	c.mu.Lock()
	defer c.mu.Unlock()
	now := time.Now()
	if len(c.frame) == answerBytes || now.Sub(c.begun) > 100*time.Millisecond {
		c.frame, c.begun = nil, now
	}
	c.frame = append(c.frame, p[:n]...)
	if len(c.frame) == answerBytes {
		if v := uint16(c.frame[3])<<8 | uint16(c.frame[4]); v != c.value {
			c.value, c.at = v, now
		}
	}
	return n, err
}

// crossed is when the value last changed on the wire.
func (c *crossing) crossed() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

// wireBench is a daemon on such a line.
type wireBench struct {
	bank *slave.Registers
	wire *crossing
	url  string
}

func newWireBench(b *testing.B) *wireBench {
	b.Helper()
	cfg, err := config.Parse("bench.yaml", []byte(wireAlarm))
	if err != nil {
		b.Fatal(err)
	}
	master, path, err := slave.OpenPTY()
	if err != nil {
		b.Fatal(err)
	}
	l := &cfg.Setup.Lines[0]
	l.Kind, l.Address = model.SerialLine, path
	w := &wireBench{bank: &slave.Registers{}, wire: &crossing{File: master}}
	w.bank.Set(1, model.InputRegisters, 0, 30)
	cfg.StateDir, cfg.Listen = b.TempDir(), "127.0.0.1:0"
	d, err := daemon.New(cfg, store.Options{}, slog.New(slog.DiscardHandler))
	if err != nil {
		b.Fatal(err)
	}
	w.url = d.Address()
	ctx, stop := context.WithCancel(context.Background())
	var work sync.WaitGroup
	work.Go(func() {
		slave.ServeRTU(ctx, w.wire, w.bank, slave.Pace{Baud: l.BaudOrDefault(), Bits: l.Bits(), Turnaround: 5 * time.Millisecond}, slave.Faults{})
	})
	work.Go(func() { d.Run(ctx, 0) })
	b.Cleanup(func() { stop(); master.Close(); work.Wait() })
	return w
}

// BenchmarkWireToAlarm is the time from the last byte of the answer that makes
// an alarm, as the slave wrote it, until the alarm is shown: in the answer of a
// scrape, and on a page that is open. The store is on this computer's disk.
func BenchmarkWireToAlarm(b *testing.B) {
	b.Run("page", func(b *testing.B) { newWireBench(b).measure(b, (*wireBench).watchPage) })
	b.Run("metrics", func(b *testing.B) { newWireBench(b).measure(b, (*wireBench).watchMetrics) })
}

// measure makes and ends the alarm again and again. seen tells of every state
// that is shown: whether the alarm stands.
func (w *wireBench) measure(b *testing.B, watch func(*wireBench, context.Context, func(bool)) error) {
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	shown := make(chan bool, 64)
	go func() {
		if err := watch(w, ctx, func(on bool) { shown <- on }); err != nil && ctx.Err() == nil {
			b.Error(err)
		}
	}()
	<-shown
	var took []float64
	on := false
	for b.Loop() {
		on = !on
		time.Sleep(300*time.Millisecond + rand.N(200*time.Millisecond)) // any phase against poll and page
		w.bank.Set(1, model.InputRegisters, 0, map[bool]uint16{false: 30, true: 180}[on])
		for <-shown != on {
		}
		took = append(took, float64(time.Since(w.wire.crossed()).Microseconds())/1000)
	}
	slices.Sort(took)
	b.ReportMetric(took[len(took)/2], "ms-p50")
	b.ReportMetric(took[len(took)*99/100], "ms-p99")
}

// watchPage listens as the page of the alarms does.
func (w *wireBench) watchPage(ctx context.Context, seen func(bool)) error {
	req, err := http.NewRequestWithContext(ctx, "GET", w.url+"/api/v1/stream?view=alarms", nil)
	if err != nil {
		return err
	}
	answer, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	lines := bufio.NewScanner(answer.Body)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		if bytes.HasPrefix(lines.Bytes(), []byte("data:")) {
			seen(strings.Contains(lines.Text(), "critical: bench") && !strings.Contains(lines.Text(), "returned to normal"))
		}
	}
	return lines.Err()
}

// watchMetrics scrapes without end, a little apart.
func (w *wireBench) watchMetrics(ctx context.Context, seen func(bool)) error {
	active := []byte(`genset_alarm_active{alarm="bench.hot",priority="critical"} 1`)
	for {
		answer, err := http.Get(w.url + "/metrics")
		if err != nil {
			return err
		}
		body, err := io.ReadAll(answer.Body)
		answer.Body.Close()
		if err != nil {
			return fmt.Errorf("scrape: %w", err)
		}
		seen(bytes.Contains(body, active))
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(5 * time.Millisecond):
		}
	}
}
