//go:build peers

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"tickover/alarms/notify"
	"tickover/cmd/tickover/api"
	"tickover/model"
)

// hall is a daemon with outlets, as a program of its own: the demonstration's
// over its past day, or one that runs a configuration.
type hall struct {
	t              *testing.T
	binary         string
	args           []string
	state, address string
	log            string
	cmd            *exec.Cmd
}

// newHall makes the demonstration's.
func newHall(t *testing.T, outlets string) *hall {
	t.Helper()
	file := write(t, t.TempDir(), "outlets.yaml", outlets)
	return newDaemonHall(t, pastState(t), "demo", "--outlets", file)
}

func newDaemonHall(t *testing.T, state string, args ...string) *hall {
	t.Helper()
	h := &hall{t: t, binary: program(t), args: append(args, "--state", state), state: state, log: filepath.Join(t.TempDir(), "log")}
	t.Cleanup(h.kill)
	return h
}

func (h *hall) start() {
	h.t.Helper()
	h.address = freeAddress(h.t)
	h.cmd = exec.Command(h.binary, append(h.args, "--listen", h.address)...)
	log, err := os.OpenFile(h.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		h.t.Fatal(err)
	}
	defer log.Close()
	h.cmd.Stdout, h.cmd.Stderr = log, log
	if err := h.cmd.Start(); err != nil {
		h.t.Fatal(err)
	}
	get(h.t, "http://"+h.address+"/healthz")
}

func (h *hall) kill() {
	if h.cmd != nil && h.cmd.Process != nil {
		h.cmd.Process.Kill()
		h.cmd.Wait()
	}
}

// stop ends the daemon as an operator would.
func (h *hall) stop() {
	h.t.Helper()
	h.cmd.Process.Signal(syscall.SIGTERM)
	if err := h.cmd.Wait(); err != nil {
		h.t.Errorf("the daemon ended with %v", err)
	}
	h.cmd = nil
}

// outlet is one row of tickover outlets --json.
func (h *hall) outlet(name string) api.Outlet {
	h.t.Helper()
	var rows []api.Outlet
	if err := json.Unmarshal([]byte(must(h.t, "outlets", "--state", h.state, "--json")), &rows); err != nil {
		h.t.Fatal(err)
	}
	for _, r := range rows {
		if r.Name == name {
			return r
		}
	}
	return api.Outlet{}
}

// server starts a Debian program and stops it with the test.
func server(t *testing.T, name string, args ...string) *exec.Cmd {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		t.Fatalf("this check needs Debian's %s", name)
	}
	c := exec.Command(name, args...)
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Process.Kill(); c.Wait() })
	return c
}

func answers200(address string) func() bool {
	return func() bool {
		resp, err := http.Get("http://" + address)
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	}
}

// Debian's Alertmanager is told of an alarm, passes it on, and is told of its
// end; while it is away that is explained.
func TestPeerAlertmanager(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	passed := make(chan string, 100)
	hook := &http.Server{Handler: http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		passed <- string(body)
	})}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go hook.Serve(l)
	defer hook.Close()
	am := freeAddress(t)
	config := filepath.Join(dir, "am.yml")
	text := fmt.Sprintf("route: {receiver: hook, group_wait: 0s, group_interval: 1s, repeat_interval: 1h}\nreceivers: [{name: hook, webhook_configs: [{url: 'http://%s/'}]}]\n", l.Addr())
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	h := newHall(t, "notify:\n  targets: [{name: router, alertmanager: 'http://"+am+"'}]\n  routes: [{priority: information, to: [router]}]\n")
	h.start()
	waitFor(t, "word that Alertmanager is away", func() bool { return contains(h.outlet("router").Hint, "nothing listens there") })
	server(t, "prometheus-alertmanager", "--config.file="+config, "--storage.path="+filepath.Join(dir, "am"), "--web.listen-address="+am, "--cluster.listen-address=")
	waitFor(t, "Alertmanager", answers200(am+"/-/ready"))
	waitFor(t, "test taken", func() bool {
		code, out, _ := call(t, "alarms", "test", "--state", h.state)
		return code == model.NoFault && contains(out, "router (alertmanager): accepted")
	})
	waitFor(t, "test passed on by Alertmanager", func() bool { return seen(passed, `"status":"firing"`, "tickover.test", `"simulated":"yes"`) })
	beginAndEnd(t, am, passed)
	h.stop()
}

// beginAndEnd tells the Alertmanager of an alarm that stands, and then does not.
func beginAndEnd(t *testing.T, am string, passed chan string) {
	t.Helper()
	var snapshot atomic.Pointer[model.Snapshot]
	now := model.Instant{Boot: 1, Offset: time.Hour}
	oil := model.AlarmStatus{Rule: model.AlarmRule{ID: "oil.pressure.low", Label: "Oil pressure low", Priority: model.Critical, Action: "Stop it by hand."},
		State: model.AlarmUnacknowledged, Raised: now.Add(-10 * time.Minute)}
	snapshot.Store(&model.Snapshot{Alarms: []model.AlarmStatus{oil}})
	changed := make(chan struct{})
	r := notify.NewRouter(model.Target{Name: "router", Kind: model.AlertRouter, URL: "http://" + am}, model.Warning, http.DefaultClient, model.Setup{},
		snapshot.Load, func() <-chan struct{} { return changed }, func() model.Instant { return now }, slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go r.Run(ctx)
	began := time.Now().Add(-10 * time.Minute).UTC().Format("2006-01-02T15:04")
	waitFor(t, "alarm passed on with its begin", func() bool {
		return seen(passed, `"status":"firing"`, `"alertname":"oil.pressure.low"`, `"severity":"critical"`, `"startsAt":"`+began)
	})
	snapshot.Store(&model.Snapshot{})
	close(changed)
	waitFor(t, "end passed on", func() bool { return seen(passed, `"status":"resolved"`, `"alertname":"oil.pressure.low"`) })
}

// seen takes what came and reports whether one of them has all parts.
func seen(passed chan string, parts ...string) bool {
	for {
		select {
		case body := <-passed:
			if hasAll(body, parts) {
				return true
			}
		default:
			return false
		}
	}
}

// The mail sink is written in Python's standard library, by nobody here.
func TestPeerMailAndWebhookAfterAnOutage(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	smtp, hook := freeAddress(t), freeAddress(t)
	key := filepath.Join(dir, "key")
	if err := os.WriteFile(key, []byte("very secret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	h := newHall(t, "notify:\n  targets:\n    - {name: letter, mail: '"+smtp+"', security: none, from: skid@example.org, to: [ada@example.org]}\n"+
		"    - {name: pager, webhook: 'http://"+hook+"/in', sign file: '"+key+"'}\n  routes: [{priority: information, to: [letter, pager]}]\n")
	h.start()
	must(t, "alarms", "out-of-service", "oil.pressure.low", "--state", h.state, "--who", "Ada", "--why", "sender out")
	waitFor(t, "messages that wait", func() bool { return h.outlet("letter").Pending > 0 && h.outlet("pager").Pending > 0 })
	h.kill() // what waits is on disk
	h.start()
	waiting := h.outlet("letter").Pending
	sink := server(t, "/usr/bin/python3", "../../testdata/peers/sinks.py", smtp, hook, dir, "very secret")
	_ = sink
	waitFor(t, "empty queues", func() bool { return h.outlet("letter").Pending == 0 && h.outlet("pager").Pending == 0 })
	out := must(t, "alarms", "test", "--state", h.state, "--who", "Ada")
	if !contains(out, "letter (mail): accepted") || !contains(out, "pager (webhook): accepted") {
		t.Errorf("the test says:\n%s", out)
	}
	h.stop()
	mails, hooks := read(t, dir, "mail-*"), read(t, dir, "hook-*")
	if len(mails) < 2 || len(hooks) < 2 {
		t.Fatalf("%d mails, %d hooks", len(mails), len(hooks))
	}
	first := strings.Join(mails, "\n")
	if n := strings.Count(first, " (clock not synchronised)") + strings.Count(first, " UTC"); uint64(n) < waiting || !contains(first, "SIMULATED") || !contains(first, "sent by Ada") {
		t.Errorf("%d times in the mails, %d messages waited:\n%s", n, waiting, first)
	}
	for _, body := range hooks {
		if !contains(body, "signature good") {
			t.Errorf("the other end does not take the signature: %.200s", body)
		}
	}
	log, err := os.ReadFile(h.log)
	if err != nil || contains(string(log), "very secret") {
		t.Errorf("the log holds the secret: %v", err)
	}
	t.Logf("%d waited over a kill; %d mails, %d webhooks", waiting, len(mails), len(hooks))
}

func read(t *testing.T, dir, pattern string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, pattern))
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, n := range names {
		text, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, string(text))
	}
	return all
}

// Mosquitto: retained state, discovery with an expiry, offline by the will
// after a kill and by ourselves after a stop, a wrong password explained, a
// broker that drops.
func TestPeerMosquitto(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	address := freeAddress(t)
	_, port, _ := strings.Cut(address, ":")
	config := filepath.Join(dir, "m.conf")
	passwords := filepath.Join(dir, "passwords")
	if out, err := exec.Command("mosquitto_passwd", "-b", "-c", passwords, "skid", "right").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if err := os.Chmod(passwords, 0o644); err != nil {
		t.Fatal(err)
	}
	os.Chmod(dir, 0o755)
	text := "listener " + port + " 127.0.0.1\nallow_anonymous false\npassword_file " + passwords + "\nuser root\n"
	if err := os.WriteFile(config, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	broker := server(t, "mosquitto", "-c", config)
	secret := filepath.Join(dir, "secret")
	if err := os.WriteFile(secret, []byte("wrong\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	h := newHall(t, "mqtt: [{name: house, broker: '"+address+"', user: skid, password file: '"+secret+"', discovery: find, every: 1 s}]\n"+
		"notify:\n  targets: [{name: bus, mqtt: house}]\n  routes: [{priority: information, to: [bus]}]\n")
	h.start()
	waitFor(t, "word of the wrong password", func() bool { return contains(h.outlet("house").Hint, "user or password") })
	if err := os.WriteFile(secret, []byte("right\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	listen := func(topic string) string {
		out, _ := exec.Command("mosquitto_sub", "-p", port, "-u", "skid", "-P", "right", "-t", topic, "-v", "-W", "2").Output()
		return string(out)
	}
	const base = "tickover/hatchery-standby-set/"
	waitFor(t, "birth", func() bool { return contains(listen(base+"available"), "available online") })
	waitFor(t, "retained volts of a running set", func() bool { return contains(listen(base+"point/battery.voltage"), `"unit":"V","quality":"good"`) })
	found := listen("find/#")
	if !hasAll(found, []string{`"expire_after":60`, `"availability_mode":"all"`, `"device_class":"voltage"`, `"state_class":"total_increasing"`, "SIMULATED"}) || contains(found, "command_topic") {
		t.Errorf("discovery: %.2000s", found)
	}
	if out := must(t, "alarms", "test", "--state", h.state); !contains(out, "bus (mqtt): accepted") {
		t.Errorf("the test says %s", out)
	}
	h.kill()
	waitFor(t, "will", func() bool { return contains(listen(base+"available"), "available offline") })
	h.start()
	waitFor(t, "birth", func() bool { return contains(listen(base+"available"), "available online") })
	broker.Process.Kill()
	broker.Wait()
	waitFor(t, "word that the broker is away", func() bool { return h.outlet("house").Trouble != "" })
	t.Logf("broker away: %s (%s)", h.outlet("house").Trouble, h.outlet("house").Hint)
	server(t, "mosquitto", "-c", config)
	waitFor(t, "birth at the new broker", func() bool { return contains(listen(base+"available"), "available online") })
	h.stop()
	if got := listen(base + "available"); !contains(got, "available offline") {
		t.Errorf("after a stop: %s", got)
	}
}
