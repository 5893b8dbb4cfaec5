package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// call runs one command as the shell would.
func call(t *testing.T, args ...string) (code model.FaultCode, stdout, stderr string) {
	t.Helper()
	var out, err strings.Builder
	code = Main(context.Background(), args, &out, &err)
	return code, out.String(), err.String()
}

// must runs a command that has to succeed and returns its output.
func must(t *testing.T, args ...string) string {
	t.Helper()
	code, out, stderr := call(t, args...)
	if code != model.NoFault {
		t.Fatalf("tickover %s: exit code %d\n%s", strings.Join(args, " "), code, stderr)
	}
	return out
}

// The program sets its own limits of memory, and leaves alone what the
// environment sets. testdata/peers/attack.sh holds the sum, 96 MiB.
func TestTheProgramBoundsItsMemory(t *testing.T) {
	limit, percent := debug.SetMemoryLimit(-1), debug.SetGCPercent(100)
	t.Cleanup(func() { debug.SetMemoryLimit(limit); debug.SetGCPercent(percent) })
	for _, c := range []struct {
		limit, percent string
		want           [2]int64
	}{{"", "", [2]int64{64 << 20, 50}}, {"1GiB", "80", [2]int64{1 << 30, 100}}} {
		t.Setenv("GOMEMLIMIT", c.limit)
		t.Setenv("GOGC", c.percent)
		debug.SetMemoryLimit(1 << 30)
		debug.SetGCPercent(100)
		boundMemory()
		if got := [2]int64{debug.SetMemoryLimit(-1), int64(debug.SetGCPercent(100))}; got != c.want {
			t.Errorf("GOMEMLIMIT %q, GOGC %q: %d bytes, %d %%", c.limit, c.percent, got[0], got[1])
		}
	}
}

// freeAddress is an address that nobody listens on. Its port lies below those
// that the kernel hands out by itself, so that no connection made meanwhile
// takes it before the daemon does.
func freeAddress(t *testing.T) string {
	t.Helper()
	for range 100 {
		if l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", 12000+rand.IntN(20000))); err == nil {
			defer l.Close()
			return l.Addr().String()
		}
	}
	t.Fatal("no free port in a hundred tries")
	return ""
}

// get waits until the address answers and returns the page: five minutes, as the
// past day of the demonstration comes first and others may have the processor.
func get(t *testing.T, url string) string {
	t.Helper()
	var err error
	for range 3000 {
		var resp *http.Response
		if resp, err = http.Get(url); err == nil {
			defer resp.Body.Close()
			body, err := io.ReadAll(resp.Body)
			if err != nil {
				t.Fatal(err)
			}
			return string(body)
		}
		time.Sleep(100 * time.Millisecond)
	}
	t.Fatalf("%s never answered: %v", url, err)
	return ""
}

// The whole way on a real pseudo-terminal: wire, store, page, metrics, runs,
// report, export; first asking the daemon, then the files it left.
func TestDemoFromTheWireToTheReport(t *testing.T) {
	state, address := pastState(t), freeAddress(t)
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	done := make(chan model.FaultCode)
	var stdout, stderr strings.Builder
	go func() {
		done <- Main(ctx, []string{"demo", "--state", state, "--listen", address}, &stdout, &stderr)
	}()
	if page := get(t, "http://"+address+"/"); !strings.Contains(strings.ToLower(page), "simulated") {
		t.Error("the page does not say that everything is simulated")
	}
	waitFor(t, "live readings in /metrics", func() bool {
		return hasAll(get(t, "http://"+address+"/metrics"), liveSeries)
	})
	asked := answers(t, state)
	if out := must(t, "verify", "--state", state); !hasAll(out, []string{"the daemon is logging", "no problems"}) {
		t.Errorf("beside the daemon verify says:\n%s", out)
	}
	stop()
	if code := <-done; code != model.NoFault {
		t.Fatalf("the demonstration ended with %d\n%s", code, stderr.String())
	}
	if left := answers(t, state); left.report != asked.report {
		t.Errorf("the past run's report differs between daemon and files:\n%s\n%s", asked.report, left.report)
	}
	if out := must(t, "verify", "--state", state); !strings.Contains(out, "no problems") || strings.Contains(out, "daemon") {
		t.Errorf("verify says:\n%s", out)
	}
}

// liveSeries are the names that must be there while the set turns.
var liveSeries = []string{
	`genset_phase_voltage_volts{phase="L1"}`, `genset_phase_voltage_volts{phase="L2"}`, `genset_phase_voltage_volts{phase="L3"}`,
	`genset_current_amperes{phase="L1"}`, `genset_current_amperes{phase="L2"}`, `genset_current_amperes{phase="L3"}`,
	"genset_frequency_hertz ", "genset_oil_pressure_pascals ", "genset_coolant_temperature_celsius ",
}

func hasAll(text string, parts []string) bool {
	for _, p := range parts {
		if !strings.Contains(text, p) {
			return false
		}
	}
	return true
}

// waitFor waits two minutes: simulated slaves answer late or not at all while
// others have the processor.
func waitFor(t *testing.T, what string, there func() bool) {
	t.Helper()
	for range 1200 {
		if there() {
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	t.Fatalf("no %s within two minutes", what)
}

type asked struct{ report string }

// answers asks the reading commands and checks what the past day must show.
func answers(t *testing.T, state string) asked {
	t.Helper()
	var runs []map[string]any
	if err := json.Unmarshal([]byte(must(t, "runs", "--state", state, "--json")), &runs); err != nil {
		t.Fatal(err)
	}
	if len(runs) == 0 || runs[0]["id"] != "1" || runs[0]["ended"] == nil || runs[0]["started"] == nil {
		t.Fatalf("runs --json begins with %v", runs)
	}
	text := must(t, "report", "--state", state, "1", "--format", "json")
	if !json.Valid([]byte(text)) {
		t.Error("the JSON report is not JSON")
	}
	for _, word := range []string{"frequency droop", "L1", "oil", "crank"} {
		if !strings.Contains(text, word) {
			t.Errorf("the JSON report says nothing of %q", word)
		}
	}
	html := filepath.Join(t.TempDir(), "report.html")
	must(t, "report", "--state", state, "1", "--format", "html", "--output", html)
	if page, err := os.ReadFile(html); err != nil || !strings.Contains(string(page), "<svg") {
		t.Errorf("the HTML report has no plot: %v", err)
	}
	if csv := must(t, "export", "--state", state, "--run", "1"); strings.Count(csv, "\n") < 5000 {
		t.Errorf("the export of a run of two hours has %d lines", strings.Count(csv, "\n"))
	}
	return asked{text}
}

func TestExitCodes(t *testing.T) {
	empty := t.TempDir()
	bad := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(bad, []byte("lines: 7\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	missingTTY := filepath.Join(t.TempDir(), "tty.yaml")
	text := strings.ReplaceAll(string(demoConfig), "/dev/serial/by-id/usb-placeholder-port0", "/dev/no-such-port")
	if err := os.WriteFile(missingTTY, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		want model.FaultCode
		says string
		args []string
	}{
		{model.UsageFault, "hint: tickover --help", []string{"runz"}},
		{model.UsageFault, "hint: tickover alarms ack --help", []string{"alarms", "ack", "oil.pressure.low"}},
		{model.UsageFault, `"3" is not a duration; use for example 30min`, []string{"alarms", "shelve", "oil.pressure.low", "--who", "Ada", "--why", "test", "--for", "3"}},
		{model.StoreFault, "no store", []string{"alarms", "shelve", "oil.pressure.low", "--who", "Ada", "--why", "test", "--for", "30 min", "--state", empty}},
		{model.UsageFault, "hint:", []string{"report", "--format", "pdf", "--state", empty}},
		{model.ConfigFault, "bad.yaml:1", []string{"check", "--config", bad}},
		{model.ConfigFault, "--config", []string{"check", "--config", empty + "/none.yaml"}},
		{model.LineFault, "/dev/no-such-port", []string{"peek", "--config", missingTTY}},
		{model.StoreFault, "no store", []string{"runs", "--state", empty}},
	} {
		code, _, stderr := call(t, c.args...)
		if code != c.want || !strings.Contains(stderr, c.says) {
			t.Errorf("tickover %v: exit code %d, want %d with %q:\n%s", c.args, code, c.want, c.says, stderr)
		}
	}
}

func TestHelpAndVersionSucceed(t *testing.T) {
	for _, args := range [][]string{{"--help"}, {"report", "--help"}, {"version"}, {"version", "--json"}} {
		if code, out, _ := call(t, args...); code != model.NoFault || out == "" {
			t.Errorf("tickover %v: exit code %d, output %q", args, code, out)
		}
	}
}
