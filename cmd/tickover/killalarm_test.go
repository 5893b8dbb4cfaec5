package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/client"
	"tickover/collector/slave"
	"tickover/model"
)

var kills = flag.Int("kills", 4, "how often TestKilledAroundAlarms kills the daemon, at most 100")

// pager is a webhook that counts how often it was told that an alarm was raised.
type pager struct {
	*httptest.Server
	mu   sync.Mutex
	told map[string]int
}

func newPager(t *testing.T) *pager {
	p := &pager{told: map[string]int{}}
	p.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var digest struct {
			Messages []struct{ Alarm, To string }
		}
		if err := json.NewDecoder(r.Body).Decode(&digest); err != nil {
			t.Error(err)
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		for _, m := range digest.Messages {
			if m.To == model.AlarmUnacknowledged.String() {
				p.told[m.Alarm]++
			}
		}
	}))
	t.Cleanup(p.Close)
	return p
}

func (p *pager) count(rule string) int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.told[rule]
}

// An alarm that the journal holds and no queue, because the daemon ended
// before it came to telling, is told after the next start, once.
func TestAnAlarmThatNobodyWasToldOfIsToldAfterTheNextStart(t *testing.T) {
	t.Parallel()
	p, dir := newPager(t), t.TempDir()
	outlets := model.Outlets{Targets: []model.Target{{Name: "pager", URL: p.URL}}, Routes: []model.Route{{To: []string{"pager"}}}}
	s := openShelf(t, dir, "first", nil, outlets)
	s.Outlets.Start()
	s.value["seen"] = 60
	s.scan()
	waitFor(t, "the first alarm to be told", func() bool { return p.count("seen") == 1 })
	s.Outlets.End(slog.New(slog.DiscardHandler)) // as if it had not been its turn any more
	s.value["fresh"] = 60
	s.scan()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, rule := range []string{"beside", "repair"} {
		r := openShelf(t, dir, "first", nil, outlets)
		r.value["seen"], r.value["fresh"] = 60, 60
		r.Outlets.Start()
		waitFor(t, "the forgotten alarm to be told", func() bool { return p.count("fresh") > 0 })
		r.value[model.PointID(rule)] = 60
		r.scan()
		waitFor(t, "the newest alarm to be told", func() bool { return p.count(rule) > 0 })
		r.Outlets.End(slog.New(slog.DiscardHandler))
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
	}
	for _, rule := range []string{"seen", "fresh", "beside", "repair"} {
		if n := p.count(rule); n != 1 {
			t.Errorf("%s was told %d times", rule, n)
		}
	}
}

// killed is the built daemon on a simulated box, one alarm for each kill.
type killed struct {
	t                 *testing.T
	file, state, link string
	bank              *slave.Registers
	daemon            *exec.Cmd
	pull              func() // the line, which a killed program leaves locked
	log               strings.Builder
	ask               *client.Client
}

func newKilled(t *testing.T, n int, hook string) *killed {
	t.Helper()
	dir := t.TempDir()
	k := &killed{t: t, state: filepath.Join(dir, "state"), file: filepath.Join(dir, "k.yaml"), link: filepath.Join(dir, "adapter"), bank: &slave.Registers{}}
	k.ask = client.OverSocket(api.SocketPath(k.state), nil)
	points, rules := "", ""
	for i := range n {
		k.bank.Set(1, model.InputRegisters, uint16(i), 1)
		points += fmt.Sprintf("      - {point: box.p%d, quantity: count, register: input %d, type: unsigned 16}\n", i, i)
		rules += fmt.Sprintf("  - {name: box.r%d, label: r%d, priority: critical, point: box.p%d, above: 5}\n", i, i, i)
	}
	text := fmt.Sprintf("set: {name: bench}\nstate dir: %s\nlisten: 127.0.0.1:0\nlines: [{name: skid, serial: %s, baud: 115200, timeout: 100 ms}]\n"+
		"devices:\n  - name: box\n    line: skid\n    unit: 1\n    every: 100 ms\n    points:\n%salarms:\n%s"+
		"notify:\n  targets: [{name: pager, webhook: '%s'}]\n  routes: [{priority: information, to: [pager]}]\n", k.state, k.link, points, rules, hook)
	if err := os.WriteFile(k.file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { k.end(k.daemon.Process.Kill) })
	return k
}

// states asks the daemon where its alarms stand; nil while it does not answer.
func (k *killed) states() map[string]string {
	var rows []struct {
		Rule, State string
		Value       *float64 // null before the first reading
	}
	if k.ask.List(context.Background(), "/api/v1/alarms", nil, &rows) != nil {
		return nil
	}
	all := map[string]string{}
	for _, r := range rows {
		if r.Value != nil {
			all[r.Rule] = r.State
		}
	}
	return all
}

// end ends the daemon in a way and takes the line away.
func (k *killed) end(how func() error) {
	how()
	k.daemon.Wait()
	k.pull()
	k.pull = func() {}
}

// start starts the daemon and waits until it has read the box.
func (k *killed) start() {
	k.t.Helper()
	k.pull = adapterAt(k.t, k.link, k.bank)
	k.daemon = exec.Command(program(k.t), "run", "--config", k.file)
	k.daemon.Stderr = &k.log
	if err := k.daemon.Start(); err != nil {
		k.t.Fatal(err)
	}
	waitFor(k.t, "reading of the box", func() bool { return k.states()["box.r0"] != "" })
}

// round makes one alarm, kills the daemon at a random moment about it, and
// reports whether it said before that it took the acknowledgement.
func (k *killed) round(i int) (acknowledged bool) {
	rule := fmt.Sprintf("box.r%d", i)
	k.bank.Set(1, model.InputRegisters, uint16(i), 9)
	gone := make(chan struct{})
	go func() { defer close(gone); time.Sleep(rand.N(250 * time.Millisecond)); k.end(k.daemon.Process.Kill) }()
	for {
		select {
		case <-gone:
			return acknowledged
		default:
		}
		if !acknowledged && k.states()[rule] == model.AlarmUnacknowledged.String() {
			acknowledged = k.ask.Post(context.Background(), "/api/v1/alarms/"+rule+"/acknowledge", url.Values{"who": {"Marta"}}) == nil
		}
	}
}

// The built daemon is killed at random moments about an alarm and its
// acknowledgement, as often as -kills says. In the end every alarm stands,
// raised once in the journal; none that the daemon said was acknowledged waits
// again; somebody was told of each, of one that was not kept twice.
func TestKilledAroundAlarms(t *testing.T) {
	t.Parallel()
	p := newPager(t)
	k := newKilled(t, *kills, p.URL)
	var acknowledged []string
	for i := range *kills {
		k.start()
		if k.round(i) {
			acknowledged = append(acknowledged, fmt.Sprintf("box.r%d", i))
		}
	}
	k.start()
	waitFor(t, "every alarm to stand and to be told", func() bool {
		now := k.states()
		for i := range *kills {
			rule := fmt.Sprintf("box.r%d", i)
			want := model.AlarmUnacknowledged.String()
			if slices.Contains(acknowledged, rule) {
				want = model.AlarmAcknowledged.String()
			}
			if s := now[rule]; s != want && s != model.AlarmAcknowledged.String() || p.count(rule) == 0 {
				return false
			}
		}
		return true
	})
	k.end(func() error { return k.daemon.Process.Signal(syscall.SIGTERM) })
	if !k.daemon.ProcessState.Success() {
		t.Errorf("the daemon ended with %s\n%s", k.daemon.ProcessState, &k.log)
	}
	if out := must(t, "verify", "--state", k.state); !strings.Contains(out, "no problems") {
		t.Error(out)
	}
	raised, twice := map[string]int{}, 0
	src := openSource(t, k.state)
	for e, err := range src.Events(t.Context(), model.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if a := e.Alarm; a != nil && a.From != a.To && a.To == model.AlarmUnacknowledged {
			raised[a.Rule]++
		}
	}
	if err := src.Store.Close(); err != nil {
		t.Fatal(err)
	}
	for i := range *kills {
		rule := fmt.Sprintf("box.r%d", i)
		if raised[rule] != 1 {
			t.Errorf("%s was raised %d times", rule, raised[rule])
		}
		if p.count(rule) > 1 {
			twice++
		}
	}
	t.Logf("%d kills: %d acknowledged before, %d told twice", *kills, len(acknowledged), twice)
}
