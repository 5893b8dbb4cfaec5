package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/collector/slave"
	"tickover/model"
)

// adapterAt serves units on a new pseudo-terminal under a link, until the
// function that comes back is called.
func adapterAt(t *testing.T, link string, units slave.Bank) (pull func()) {
	t.Helper()
	master, path, err := slave.OpenPTY()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- slave.ServeRTU(context.Background(), master, units, slave.Pace{}, slave.Faults{}) }()
	return func() {
		os.Remove(link)
		master.Close()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

// deafGateway takes connections and says nothing.
func deafGateway(t *testing.T) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { listener.Close() })
	go func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			defer conn.Close()
		}
	}()
	return listener.Addr().String()
}

// twoLines is a configuration with the adapter and a gateway that says nothing.
func twoLines(t *testing.T, link, gateway string) (file, state string) {
	t.Helper()
	state = t.TempDir()
	text := fmt.Sprintf(`set:
  name: x
state dir: %s
lines:
  - name: bus
    serial: %s
    timeout: 100 ms
  - name: net
    modbus tcp: %s
    timeout: 100 ms
devices:
  - name: adapter
    line: bus
    unit: 7
    every: 200 ms
    points:
      - point: a.first
        quantity: count
        register: holding 0
  - name: far
    line: net
    unit: 1
    every: 200 ms
    points:
      - point: far.first
        quantity: count
        register: holding 0
`, state, link, gateway)
	return configIn(t, state, text), state
}

// configIn writes a configuration into a folder.
func configIn(t *testing.T, dir, text string) (file string) {
	t.Helper()
	file = filepath.Join(dir, "c.yaml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// daemonOn runs the daemon until the test ends.
func daemonOn(t *testing.T, file string) {
	t.Helper()
	t.Cleanup(startDaemon(t, file))
}

// startDaemon runs the daemon until the function that comes back is called.
func startDaemon(t *testing.T, file string) (stopped func()) {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan model.FaultCode, 1)
	var out, stderr strings.Builder
	go func() { done <- Main(ctx, []string{"run", "--config", file, "--listen", "127.0.0.1:0"}, &out, &stderr) }()
	return func() {
		stop()
		if code := <-done; code != model.NoFault {
			t.Errorf("the daemon ended with %d:\n%s", code, stderr.String())
		}
	}
}

// linesOf asks the running daemon how its lines fare.
func linesOf(t *testing.T, state string) map[string]api.Line {
	t.Helper()
	code, out, _ := call(t, "lines", "--state", state, "--json")
	all := map[string]api.Line{}
	var rows []api.Line
	if code != model.NoFault || json.Unmarshal([]byte(out), &rows) != nil {
		return all // not up yet
	}
	for _, r := range rows {
		all[r.Line] = r
	}
	return all
}

// TestAdapterPulledAndPluggedInAgain starts the daemon without its adapter,
// plugs it in, pulls it and plugs it in again: it is read again each time,
// beside a gateway that takes connections and says nothing. How soon is held
// in collector's TestLineThatComesBackIsAskedAtOnce, on a clock of its own.
func TestAdapterPulledAndPluggedInAgain(t *testing.T) {
	link := filepath.Join(t.TempDir(), "adapter")
	file, state := twoLines(t, link, deafGateway(t))
	daemonOn(t, file)
	waitFor(t, "the daemon to say that there is no adapter", func() bool {
		bus := linesOf(t, state)["bus"]
		return !bus.Open && strings.Contains(bus.Trouble, "no such file")
	})
	for plugged := range uint64(2) {
		before := linesOf(t, state)["bus"].Messages
		pull := adapterAt(t, link, newSkid())
		began := time.Now()
		waitFor(t, "answers", func() bool { return linesOf(t, state)["bus"].Messages > before })
		t.Logf("plugged in: the first answer came after %s", time.Since(began).Round(time.Millisecond))
		if bus := linesOf(t, state)["bus"]; !bus.Open || bus.Reopened != plugged {
			t.Errorf("open %v, opened again %d times, want %d", bus.Open, bus.Reopened, plugged)
		}
		pull()
		waitFor(t, "the daemon to miss the adapter", func() bool { return !linesOf(t, state)["bus"].Open })
	}
	if far := linesOf(t, state)["net"]; far.Messages != 0 || far.NoAnswers == 0 {
		t.Errorf("the gateway that says nothing: %+v", far)
	}
}

// TestTwoDaemonsOnOnePort starts a second daemon on a port that is taken: it
// says so and goes on, and the first is not disturbed.
func TestTwoDaemonsOnOnePort(t *testing.T) {
	link := filepath.Join(t.TempDir(), "adapter")
	defer adapterAt(t, link, newSkid())()
	first, state := twoLines(t, link, deafGateway(t))
	second, other := twoLines(t, link, deafGateway(t))
	daemonOn(t, first)
	waitFor(t, "answers", func() bool { return linesOf(t, state)["bus"].Messages > 0 })
	daemonOn(t, second)
	waitFor(t, "the second daemon to say that the port is taken", func() bool {
		return strings.Contains(linesOf(t, other)["bus"].Trouble, "in use by another program")
	})
	// Two readers of one port would each miss about every second answer. A
	// starved slave misses one at times, so a clean stretch is waited for.
	before := linesOf(t, state)["bus"]
	waitFor(t, "twenty answers in a row", func() bool {
		after := linesOf(t, state)["bus"]
		if after.NoAnswers+after.Corrupt > before.NoAnswers+before.Corrupt {
			before = after
		}
		return after.Messages > before.Messages+20
	})
	if code, _, stderr := call(t, "peek", "--config", first); code != model.LineFault || !strings.Contains(stderr, "hint") {
		t.Errorf("peek beside a daemon: exit code %d\n%s", code, stderr)
	}
}
