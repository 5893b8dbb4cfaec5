package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// A daemon killed in the middle of a start leaves a clean store that misses
// at most the stated tail: 1 s of samples while the set is not at rest.
func TestKilledDaemonLosesAtMostTheTail(t *testing.T) {
	state, address := pastState(t), freeAddress(t)
	var stderr bytes.Buffer
	daemon := exec.Command(program(t), "demo", "--state", state, "--listen", address)
	daemon.Stderr = &stderr
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { daemon.Process.Kill() }) // a test that fails early leaves nothing running
	waitFor(t, "running engine", func() bool {
		return strings.Contains(get(t, "http://"+address+"/metrics"), `genset_engine_state{state="unloaded"} 1`)
	})
	seen, counted := newestSeen(t, address), counters(t, address)
	if err := daemon.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	daemon.Wait()
	if out := must(t, "verify", "--state", state); !strings.Contains(out, "no problems") {
		t.Errorf("after the kill verify says:\n%s", out)
	}
	const tail = 1.0
	if kept := newestKept(t, state); kept < seen-tail-0.05 {
		t.Errorf("shown up to %.3f s since boot, kept up to %.3f: more than %g s lost\n%s", seen, kept, tail, &stderr)
	}
	started := time.Now()
	again := make(chan map[string]float64)
	go func() { again <- counters(t, address) }()
	if code, _, said := call(t, "demo", "--state", state, "--listen", address, "--for", "3s"); code != model.NoFault {
		t.Fatalf("the next start ended with %d after %s:\n%s", code, time.Since(started), said)
	}
	for name, now := range <-again {
		if now < counted[name] {
			t.Errorf("%s fell from %g to %g over the kill", name, counted[name], now)
		}
	}
	var runs []map[string]any
	if err := json.Unmarshal([]byte(must(t, "runs", "--state", state, "--json")), &runs); err != nil {
		t.Fatal(err)
	}
	if len(runs) != 2 {
		t.Errorf("%d runs after the restart, want the past day's and the live one: %v", len(runs), runs)
	}
}

// counters reads the counters of the engine that must never fall.
func counters(t *testing.T, address string) map[string]float64 {
	found := map[string]float64{}
	for line := range strings.Lines(get(t, "http://"+address+"/metrics")) {
		name, value, _ := strings.Cut(strings.TrimSpace(line), " ")
		if v, err := strconv.ParseFloat(value, 64); err == nil && strings.HasPrefix(name, "genset_engine_") && strings.HasSuffix(name, "_total") {
			found[name] = v
		}
	}
	if len(found) != 4 || found["genset_engine_starts_total"] == 0 {
		t.Errorf("the engine's counters are %v", found)
	}
	return found
}

// newestSeen is the offset since boot, in seconds, of the newest scan shown.
func newestSeen(t *testing.T, address string) float64 {
	t.Helper()
	var now struct {
		Instant string `json:"instant"`
	}
	if err := json.Unmarshal([]byte(get(t, "http://"+address+"/api/v1/now")), &now); err != nil {
		t.Fatal(err)
	}
	_, offset, ok := strings.Cut(now.Instant, "+")
	d, err := time.ParseDuration(offset)
	if !ok || err != nil {
		t.Fatalf("instant %q: %v", now.Instant, err)
	}
	return d.Seconds()
}

// newestKept is the same of the newest scan in the store.
func newestKept(t *testing.T, state string) float64 {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(must(t, "export", "--state", state, "--points", "battery.voltage"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	last := rows[len(rows)-1]
	s, err := strconv.ParseFloat(last[4], 64)
	if err != nil {
		t.Fatal(err)
	}
	return s
}
