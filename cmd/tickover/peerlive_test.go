//go:build peers

package main

import (
	"context"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/client"
	"tickover/cmd/tickover/daemon"
	"tickover/collector/slave"
	"tickover/model"
)

const (
	livePoints = 16
	liveEvery  = 200 * time.Millisecond
	// liveTail is what a killed daemon may not have written yet, though it was
	// read from memory and sent: 5 s while the set is steady.
	liveTail = 6 * livePoints * int(time.Second/liveEvery)
)

// liveConfig reads one slave and pushes to the server, and to one that is not
// there.
func liveConfig(t *testing.T, slave, server string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "set: {name: Live}\nlines: [{name: skid, modbus tcp: '%s'}]\n", slave)
	fmt.Fprintf(&b, "remote write: [{name: away, url: 'http://%s/write', every: 1 s}, {name: peer, url: '%s', every: 1 s}]\ndevices:\n  - name: meter\n    line: skid\n    unit: 1\n    every: %s\n    points:\n",
		freeAddress(t), server, strings.Replace(liveEvery.String(), "ms", " ms", 1))
	for i := range livePoints {
		fmt.Fprintf(&b, "      - {point: own.p%02d, quantity: voltage, register: holding %d, type: unsigned 16, one count is: 0.1 V}\n", i, i)
	}
	return b.String()
}

// The daemon as it is installed, over a line, not a demonstration: nothing is
// sent before the time of day is known, then the readings from before as well;
// either side is killed in turn for a while (TICKOVER_LIVE), and what the
// store holds is at the server.
func TestPeerLiveRun(t *testing.T) {
	t.Parallel()
	lasts := 10 * time.Second
	if text := os.Getenv("TICKOVER_LIVE"); text != "" {
		var err error
		if lasts, err = time.ParseDuration(text); err != nil {
			t.Fatal(err)
		}
	}
	p := startPrometheus(t, "30d", receiver)
	h := newDaemonHall(t, t.TempDir(), "run", "--config", write(t, t.TempDir(), "tickover.yaml", liveConfig(t, lively(t), p.write())))
	h.start()
	if daemon.Estimate().Source != model.ClockSynchronised {
		waitFor(t, "word that the time of day is not known", func() bool { return contains(h.outlet("peer").Trouble, "time of day is not known") })
		if n := h.outlet("peer").Sent; n > 0 {
			t.Errorf("%d samples were sent before the time of day was known", n)
		}
		h.tellTime()
	}
	sent := func() bool { return h.outlet("peer").Sent > 10*livePoints }
	waitFor(t, "samples sent", sent)
	kills := 0
	for end := time.Now().Add(lasts); time.Now().Before(end); kills++ {
		if kills%2 == 0 {
			h.kill()
			h.start()
		} else {
			p.kill()
			waitFor(t, "word that the server is away", func() bool { return h.outlet("peer").Trouble != "" })
			p.start()
		}
		waitFor(t, "samples sent again", sent)
		time.Sleep(2 * time.Second)
	}
	waitFor(t, "everything sent", func() bool { o := h.outlet("peer"); return o.Trouble == "" && o.Lag < 3 })
	if o := h.outlet("away"); !contains(o.Hint, "nothing listens there") || o.Sent > 0 {
		t.Errorf("the server that is not there: %+v", o)
	}
	h.stop()
	const metric = "genset_point_voltage_volts"
	want, got := kept(t, h.state)[metric], p.counts(`{job="tickover"}`)[metric]
	if got < want || got > want+kills*liveTail || want < livePoints*int(lasts/liveEvery)/2 {
		t.Errorf("%d samples at the server, %d in the store", got, want)
	}
	t.Logf("%d samples in the store, %d at the server, %d kills", want, got, kills)
}

// tellTime is a person's telephone telling the time of day.
func (h *hall) tellTime() {
	h.t.Helper()
	a, err := (&client.StateFolder{State: h.state}).Open(false)
	if err != nil {
		h.t.Fatal(err)
	}
	defer a.Close()
	if err := a.Post(context.Background(), "/api/v1/clock", url.Values{"now": {time.Now().Format(time.RFC3339Nano)}}); err != nil {
		h.t.Fatal(err)
	}
}

// lively starts a slave whose registers change all the time and returns its
// address.
func lively(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	bank := &slave.Registers{}
	words := make([]uint16, livePoints)
	turn := func() {
		for i := range words {
			words[i] = 2300 + (words[i]+uint16(i)+1)%50
		}
		bank.Set(1, model.HoldingRegisters, 0, words...)
	}
	turn()
	ctx, stop := context.WithCancel(context.Background())
	t.Cleanup(stop)
	go slave.ServeTCP(ctx, l, bank, slave.Faults{})
	go func() {
		for ctx.Err() == nil {
			turn()
			time.Sleep(50 * time.Millisecond)
		}
	}()
	return l.Addr().String()
}
