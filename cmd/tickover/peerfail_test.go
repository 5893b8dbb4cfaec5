//go:build peers

package main

import (
	"context"
	"encoding/json"
	"io"
	"maps"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"tickover/collector/slave"
	"tickover/model"
)

// ear is a web server that notes what comes, by its path.
type ear struct {
	mu   sync.Mutex
	came map[string][]string
	at   map[string]time.Time // of the first
}

func (e *ear) listen(t *testing.T, address string) string {
	t.Helper()
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	s := &http.Server{Handler: e}
	go s.Serve(l)
	t.Cleanup(func() { s.Close() })
	return l.Addr().String()
}

func (e *ear) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	e.mu.Lock()
	defer e.mu.Unlock()
	if len(e.came[r.URL.Path]) == 0 {
		e.at[r.URL.Path] = time.Now()
	}
	e.came[r.URL.Path] = append(e.came[r.URL.Path], string(body))
}

func (e *ear) heard(path string) []string {
	e.mu.Lock()
	defer e.mu.Unlock()
	return append([]string(nil), e.came[path]...)
}

// The secrets of the configuration below, which must show nowhere.
var failingSecrets = map[string]string{"key": "Rotauge-Schluessel", "password": "Bachforelle-1", "bearer": "Saibling-Token"}

const failing = `set: {name: Alone}
lines: [{name: skid, modbus tcp: 'SLAVE'}]
devices:
  - name: adapter
    line: skid
    unit: 1
    every: 1 s
    points:
      - {point: coolant.temperature, register: holding 0, one count is: 0.1 K}
      - {point: oil.temperature, register: holding 1, one count is: 0.1 K}
alarms:
  - {name: hot, priority: critical, point: coolant.temperature, above: 95 °C}
  - {name: oil.hot, priority: critical, point: oil.temperature, above: 120 °C}
notify:
  targets:
    - {name: first, webhook: 'http://EAR/first', sign file: DIR/key}
    - {name: second, webhook: 'http://EAR/second'}
    - {name: letter, mail: 'HANGS', security: none, user: skid, password file: DIR/password, from: skid@example.org, to: [ada@example.org]}
    - {name: away, webhook: 'http://AWAY/away'}
  routes: [{priority: critical, to: [first, letter, away], second: [second], patience: 10 s}]
  heartbeat: {url: 'http://EAR/beat', every: 5 s, bearer file: DIR/bearer}
hook: {command: [DIR/horn, DIR/pids], timeout: 1 s}
`

// silent accepts connections and says nothing.
func silent(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		var held []net.Conn // open, or the other end would see it close
		for {
			c, err := l.Accept()
			if err != nil {
				for _, c := range held {
					c.Close()
				}
				return
			}
			held = append(held, c)
		}
	}()
	return l.Addr().String()
}

// Everything around a daemon that polls fails at once: the mail server says
// nothing, a webhook is not there, the hook never returns and has a child. The
// alarms go out all the same, no round is late, the second contact is told of
// the alarm that nobody acknowledged and not of the other, the hook is ended
// with its child and counted. Killed, the daemon gives no sign of life; started
// anew it tells what waited, as one digest of the original times. No secret
// shows.
func TestPeerEverythingAroundTheDaemonFails(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for name, text := range failingSecrets {
		write(t, dir, name, text+"\n")
	}
	if err := os.WriteFile(filepath.Join(dir, "horn"), []byte("#!/bin/sh\nsleep 1000 &\necho $$ $! >> \"$1\"\nsleep 1000\n"), 0o700); err != nil {
		t.Fatal(err)
	}
	bank, skid := simulatedUnit(t)
	e := &ear{came: map[string][]string{}, at: map[string]time.Time{}}
	away := freeAddress(t)
	config := strings.NewReplacer("SLAVE", skid, "EAR", e.listen(t, "127.0.0.1:0"), "HANGS", silent(t), "AWAY", away, "DIR", dir).Replace(failing)
	h := newDaemonHall(t, t.TempDir(), "run", "--config", write(t, dir, "tickover.yaml", config))
	h.start()
	waitFor(t, "a sign of life", func() bool { return len(e.heard("/beat")) > 0 })
	bank.Set(1, model.HoldingRegisters, 0, 990, 1250)
	raised := time.Now()
	waitFor(t, "both alarms told", func() bool { return hasAll(strings.Join(e.heard("/first"), ""), []string{`"hot"`, `"oil.hot"`}) })
	must(t, "alarms", "ack", "oil.hot", "--who", "Ada", "--state", h.state)
	waitFor(t, "the hook's failure", func() bool { return contains(h.outlet("hook").Trouble, "did not end within 1s") })
	waitFor(t, "the end of the hook and its child", func() bool { return noneAlive(t, filepath.Join(dir, "pids")) })
	waitFor(t, "the second contact", func() bool { return len(e.heard("/second")) > 0 })
	if waited := e.at["/second"].Sub(raised); waited < 10*time.Second-200*time.Millisecond {
		t.Errorf("the second contact is told after %s, want 10 s", waited)
	}
	must(t, "alarms", "ack", "hot", "--who", "Ada", "--state", h.state)
	waitFor(t, "both acknowledgements told", func() bool { return len(happened(t, e.heard("/first")...)) == 4 })
	if p := h.outlet("letter").Pending; p < 2 {
		t.Errorf("%d messages wait for the mail server that says nothing", p)
	}
	metrics := get(t, "http://"+h.address+"/metrics")
	if !strings.Contains(metrics, `tickover_line_overruns_total{line="skid"} 0`) {
		t.Error("rounds were late while everything around failed")
	}
	shown := metrics + must(t, "outlets", "--json", "--state", h.state)
	for _, path := range []string{"/", "/alarms", "/wiring", "/timeline", "/api/v1/outlets", "/api/v1/lines", "/api/v1/events"} {
		shown += get(t, "http://"+h.address+path)
	}
	noSecret(t, h, shown)
	h.killed(e)
	if second := strings.Join(e.heard("/second"), "\n"); strings.Contains(second, "oil.hot") {
		t.Errorf("the second contact is told of what was acknowledged: %s", second)
	}
	late := &ear{came: map[string][]string{}, at: map[string]time.Time{}}
	late.listen(t, away)
	h.start()
	waitFor(t, "what waited", func() bool { return len(late.heard("/away")) > 0 })
	digest := late.heard("/away")[0]
	then, now := happened(t, e.heard("/first")...), happened(t, digest)
	if !maps.Equal(then, now) {
		t.Errorf("at once these were told %v, and late in one digest these %v", then, now)
	}
	h.stop()
	noSecret(t, h, strings.Join(append(e.heard("/first"), digest), "\n"))
}

// happened is when each message happened, by its ID.
func happened(t *testing.T, digests ...string) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, text := range digests {
		var d struct {
			Messages []struct{ ID, Instant string }
		}
		if err := json.Unmarshal([]byte(text), &d); err != nil {
			t.Fatalf("%v: %s", err, text)
		}
		for _, m := range d.Messages {
			all[m.ID] = m.Instant
		}
	}
	return all
}

// killed ends the daemon by force, and expects no sign of life from then on.
func (h *hall) killed(e *ear) {
	h.t.Helper()
	h.kill()
	before := len(e.heard("/beat"))
	time.Sleep(6 * time.Second) // more than from one sign to the next
	if now := len(e.heard("/beat")); now != before || before < 2 {
		h.t.Errorf("%d signs of life, and after it was killed %d more", before, now-before)
	}
}

// noneAlive reports whether the processes that the hook noted have ended.
func noneAlive(t *testing.T, file string) bool {
	t.Helper()
	text, _ := os.ReadFile(file)
	pids := strings.Fields(string(text))
	for _, pid := range pids {
		if _, err := strconv.Atoi(pid); err != nil {
			t.Fatalf("the hook noted %q", text)
		}
		line, _ := os.ReadFile("/proc/" + pid + "/cmdline") // empty for one that waits to be buried
		if strings.Contains(string(line), "sleep") || strings.Contains(string(line), "horn") {
			return false
		}
	}
	return len(pids) >= 2
}

// noSecret looks for the secrets in the log, the state folder, what the daemon
// says of itself, and the text given.
func noSecret(t *testing.T, h *hall, text string) {
	t.Helper()
	places := map[string]string{"what went out": text, "alarms": must(t, "alarms", "--json", "--state", h.state)}
	files := []string{h.log}
	filepath.WalkDir(h.state, func(path string, d os.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			files = append(files, path)
		}
		return nil
	})
	for _, f := range files {
		content, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		places[f] = string(content)
	}
	if len(files) < 4 {
		t.Errorf("only %q looked through", files)
	}
	for place, content := range places {
		for name, s := range failingSecrets {
			if strings.Contains(content, s) {
				t.Errorf("the %s shows in %s", name, place)
			}
		}
	}
}

// simulatedUnit serves an adapter that shows 80 and 90 °C.
func simulatedUnit(t *testing.T) (*slave.Registers, string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	bank := &slave.Registers{}
	bank.Set(1, model.HoldingRegisters, 0, 800, 900)
	ctx, stop := context.WithCancel(context.Background())
	t.Cleanup(stop)
	go slave.ServeTCP(ctx, l, bank, slave.Faults{})
	return bank, l.Addr().String()
}
