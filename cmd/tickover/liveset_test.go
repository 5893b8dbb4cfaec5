package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/client"
	"tickover/cmd/tickover/daemon"
	"tickover/cmd/tickover/record"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
	"tickover/model/plant"
)

// hands moves a simulated set as people do, between two steps of its time.
type hands struct {
	plant *plant.Plant
	acts  chan func(*plant.Plant)
}

// Advance implements player.
func (h *hands) Advance(d time.Duration) []plant.Action {
	for {
		select {
		case act := <-h.acts:
			act(h.plant)
			continue
		default:
		}
		h.plant.Step(d)
		return nil
	}
}

func (h *hands) do(act func(*plant.Plant)) { h.acts <- act }

func turnedOver(p *plant.Plant) {
	p.Key(true)
	p.Crank(true)
	p.Step(4 * time.Second)
	p.Crank(false)
	p.Step(40 * time.Second)
}

// liveSet runs the daemon of the demonstration over a set that only moves by
// hand. It ends with the test.
func liveSet(t *testing.T, state string) (*hands, *daemon.Daemon) {
	t.Helper()
	cfg, err := config.Parse("demo.yaml", demoConfig)
	if err != nil {
		t.Fatal(err)
	}
	cfg.StateDir, cfg.Listen, cfg.Setup.Simulated = state, "127.0.0.1:0", true
	h := &hands{plant.New(demoSeed, cfg.Setup.Rating), make(chan func(*plant.Plant), 8)}
	rig, err := rigAround(cfg, h.plant, h)
	if err != nil {
		t.Fatal(err)
	}
	d, err := daemon.New(cfg, store.Options{}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- d.Run(ctx, 0) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
		rig.close()
	})
	return h, d
}

// Three readings of a gauge at rest, idling and at speed, each kept by the
// command with what the sensor shows live, make the correction table that the
// list and the report of the set print.
func TestPanelGaugeFromTheCommandToItsTable(t *testing.T) {
	t.Parallel()
	state := recorded(t, pastScript{plant.WalkDay, func(*plant.Plant) {}})
	h, d := liveSet(t, state)
	oil := func() float64 {
		r := d.Carrier.Latest().Readings[model.OilPressure]
		if r.Quality != model.Good {
			return -1
		}
		return r.Value
	}
	for _, c := range []struct {
		gauge     string
		act       func(*plant.Plant)
		low, high float64
	}{
		{"0 bar", func(*plant.Plant) {}, 0, 0.2e5},
		{"5 bar", turnedOver, 4.3e5, 8e5},
		{"2.2 bar", func(p *plant.Plant) { p.SetThrottle(0); p.Step(30 * time.Second) }, 2e5, 4.1e5},
	} {
		h.do(c.act)
		waitFor(t, "oil pressure for a gauge at "+c.gauge, func() bool { v := oil(); return v >= c.low && v <= c.high })
		must(t, "measure", "panel gauge", "oil.pressure", c.gauge, "--state", state, "--who", "Marta")
	}
	list := must(t, "measure", "list", "--state", state)
	inOrder(t, list, "panel gauge of oil.pressure", "where it shows 0.00 bar add", "where it shows 2.20 bar add", "where it shows 5.00 bar add")
	report := must(t, "report", "--state", state, "1")
	inOrder(t, report, "Gauges of the panel", "Correction of the panel gauge of oil.pressure", "0.00 bar", "2.20 bar", "5.00 bar", "From 3 readings compared with the sensor.")
}

func inOrder(t *testing.T, text string, words ...string) {
	t.Helper()
	rest := text
	for _, want := range words {
		_, after, found := strings.Cut(rest, want)
		if !found {
			t.Fatalf("no %q in its place:\n%s", want, text)
		}
		rest = after
	}
}

// Measurements are kept from before the past day of the demonstration until
// after its end, whoever answers meanwhile.
func TestMeasuringWhileTheDaemonStartsAndStops(t *testing.T) {
	t.Parallel()
	state := filepath.Join(t.TempDir(), "state")
	done := make(chan string)
	go func() {
		code, _, stderr := call(t, "demo", "--walk", "--state", state, "--listen", freeAddress(t), "--for", "4s")
		done <- fmt.Sprint(code, " ", stderr)
	}()
	waitFor(t, "store of the demonstration", func() bool {
		found, _ := filepath.Glob(filepath.Join(state, "*"))
		return len(found) > 0 && storeIsHeld(state)
	})
	kept := 0
	for ended := false; !ended; kept++ {
		select {
		case said := <-done:
			if ended = true; !strings.HasPrefix(said, "0 ") {
				t.Errorf("the demonstration ended with %s", said)
			}
		default:
		}
		if code, _, stderr := call(t, "measure", "oil level", "dipstick above minimum", "12 mm", "--state", state); code != model.NoFault {
			t.Fatalf("measurement %d: code %d\n%s", kept, code, stderr)
		}
		time.Sleep(50 * time.Millisecond)
	}
	s, err := store.Open(store.Options{Dir: state, ReadOnly: true, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if hand, err := (record.NewLive(s, model.Setup{}, nil, nil)).Pick(record.ByHand); err != nil || len(hand) != kept {
		t.Errorf("%d measurements kept of %d, %v", len(hand), kept, err)
	}
}

// A server that stops lets in who has connected already, however late it
// comes to that: the close of a socket resets whoever still queues there.
func TestWhoHasConnectedIsStillAnswered(t *testing.T) {
	path := filepath.Join(t.TempDir(), "socket")
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: http.HandlerFunc(func(http.ResponseWriter, *http.Request) {})}
	busy := make(chan struct{})
	go server.Serve(lateListener{l, busy})
	first, err := net.Dial("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	asked := make(chan error)
	go func() {
		a := client.OverSocket(path, first)
		asked <- errors.Join(a.Post(t.Context(), "/", nil), a.Close())
	}()
	stopped := make(chan error)
	go func() { stopped <- errors.Join(daemon.DrainAccept(t.Context(), l), server.Shutdown(t.Context())) }()
	waitFor(t, "the name of the socket to go", func() bool { _, err := os.Stat(path); return err != nil })
	time.Sleep(20 * time.Millisecond) // time to close it over the one who waits
	close(busy)
	if err := errors.Join(<-asked, <-stopped); err != nil {
		t.Error(err)
	}
}

// lateListener lets nobody in before busy is closed.
type lateListener struct {
	net.Listener
	busy <-chan struct{}
}

func (l lateListener) Accept() (net.Conn, error) {
	<-l.busy
	return l.Listener.Accept()
}

// storeIsHeld reports whether somebody else has the store open.
func storeIsHeld(state string) bool {
	s, err := store.Open(store.Options{Dir: state, ReadOnly: true, Log: slog.New(slog.DiscardHandler)})
	if err == nil {
		s.Close()
	}
	return err != nil && strings.Contains(err.Error(), store.ErrLocked.Error())
}
