//go:build peers

package main

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// What the daemon takes with every outlet on: a real Prometheus and a real
// broker, a webhook, a heartbeat. Printed, not judged.
func TestPeerFootprint(t *testing.T) {
	p := startPrometheus(t, "30d", receiver)
	hook := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer hook.Close()
	address := freeAddress(t)
	_, port, _ := strings.Cut(address, ":")
	config := filepath.Join(t.TempDir(), "m.conf")
	if err := os.WriteFile(config, []byte("listener "+port+" 127.0.0.1\nallow_anonymous true\nuser root\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	server(t, "mosquitto", "-c", config)
	h := newHall(t, "remote write: [{name: peer, url: '"+p.write()+"', every: 1 s}]\nmqtt: [{name: house, broker: '"+address+"', every: 1 s}]\n"+
		"notify:\n  targets: [{name: pager, webhook: '"+hook.URL+"'}]\n  routes: [{priority: information, to: [pager]}]\n"+
		"  heartbeat: {url: '"+hook.URL+"', every: 10 s}\n")
	begin := time.Now()
	h.start()
	t.Logf("first answer %s after the program began over a made-up day", time.Since(begin).Round(time.Millisecond))
	waitFor(t, "live samples at the server", p.fresh)
	waitFor(t, "readings at the broker", func() bool { return h.outlet("house").Sent > 100 && h.outlet("house").Trouble == "" })
	resident(t, h, "after it sent a made-up day")
	h.stop()
	begin = time.Now()
	h.start()
	t.Logf("first answer %s after it began again", time.Since(begin).Round(time.Millisecond))
	waitFor(t, "live samples at the server", p.fresh)
	waitFor(t, "readings at the broker", func() bool { return h.outlet("house").Sent > 100 && h.outlet("house").Trouble == "" })
	for _, path := range []string{"/", "/metrics", "/trends"} {
		get(t, "http://"+h.address+path)
	}
	resident(t, h, "of a daemon that began over that day")
	h.stop()
}

// resident prints what the program holds in memory.
func resident(t *testing.T, h *hall, when string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(h.cmd.Process.Pid), "status"))
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for line := range strings.Lines(string(text)) {
		name, rest, _ := strings.Cut(line, ":")
		if !slices.Contains([]string{"VmRSS", "VmHWM", "RssAnon", "RssFile"}, name) {
			continue
		}
		kib, err := strconv.Atoi(strings.Fields(rest)[0])
		if err != nil {
			t.Fatal(err)
		}
		found++
		t.Logf("%s with every outlet on, %s: %.1f MiB", name, when, float64(kib)/1024)
	}
	if found != 4 {
		t.Errorf("the system told %d of four figures", found)
	}
}
