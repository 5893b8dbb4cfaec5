//go:build peers

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// prometheus is the real server from Debian, on a folder and a port of its own.
type prometheus struct {
	t       *testing.T
	dir     string
	address string
	base    string // of its addresses
	http    *http.Client
	args    []string
	cmd     *exec.Cmd
}

// startPrometheus starts it with so much of an out-of-order window ("" for
// none) and further arguments.
func startPrometheus(t *testing.T, window string, args ...string) *prometheus {
	t.Helper()
	p := newPrometheus(t, window, args...)
	p.base, p.http = "http://"+p.address, http.DefaultClient
	p.start()
	return p
}

// newPrometheus prepares one.
func newPrometheus(t *testing.T, window string, args ...string) *prometheus {
	t.Helper()
	if _, err := exec.LookPath("prometheus"); err != nil {
		t.Fatal("this check needs Debian's package prometheus")
	}
	p := &prometheus{t: t, dir: t.TempDir(), address: freeAddress(t), args: args}
	text := "global: {scrape_interval: 15s}\n"
	if window != "" {
		text += "storage: {tsdb: {out_of_order_time_window: " + window + "}}\n"
	}
	if err := os.WriteFile(filepath.Join(p.dir, "prometheus.yml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.kill)
	return p
}

const receiver = "--web.enable-remote-write-receiver"

func (p *prometheus) start() {
	p.t.Helper()
	p.cmd = exec.Command("prometheus", append([]string{"--config.file=" + filepath.Join(p.dir, "prometheus.yml"),
		"--storage.tsdb.path=" + filepath.Join(p.dir, "data"), "--storage.tsdb.retention.time=90d", "--web.listen-address=" + p.address,
		"--query.max-samples=500000000"}, p.args...)...)
	log, err := os.OpenFile(filepath.Join(p.dir, "log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		p.t.Fatal(err)
	}
	defer log.Close()
	p.cmd.Stderr = log
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	waitFor(p.t, "answer from Prometheus", func() bool {
		resp, err := p.http.Get(p.base + "/-/ready")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	})
}

// kill ends the server as a power cut would.
func (p *prometheus) kill() {
	if p.cmd.Process != nil {
		p.cmd.Process.Kill()
		p.cmd.Wait()
	}
}

func (p *prometheus) write() string { return p.base + "/api/v1/write" }

// ask decodes what lies below "data" in the answer of the API.
func (p *prometheus) ask(path string, query url.Values, into any) error {
	resp, err := p.http.PostForm(p.base+path, query)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		return err
	}
	var answer struct {
		Status, Error string
		Data          json.RawMessage
	}
	if err := json.Unmarshal(body, &answer); err != nil || answer.Status != "success" {
		return fmt.Errorf("%s %v: %s %s", path, query, resp.Status, answer.Error)
	}
	return json.Unmarshal(answer.Data, into)
}

// count is how many samples the server holds of everything that the selector
// names, one metric after the other.
func (p *prometheus) count(selector string) int {
	p.t.Helper()
	total := 0
	for _, n := range p.counts(selector) {
		total += n
	}
	return total
}

// counts is the same by metric.
func (p *prometheus) counts(selector string) map[string]int {
	p.t.Helper()
	resp, err := p.http.Get(p.base + "/api/v1/label/__name__/values?" + url.Values{"match[]": {selector}}.Encode())
	if err != nil {
		return nil // it is down at the moment
	}
	defer resp.Body.Close()
	var names struct{ Data []string }
	if err := json.NewDecoder(resp.Body).Decode(&names); err != nil {
		p.t.Fatal(err)
	}
	all := map[string]int{}
	for _, name := range names.Data {
		if n := p.countOver(name+selector, 80*24*time.Hour, time.Now().Add(time.Hour)); n > 0 {
			all[name] = n
		}
	}
	return all
}

// countOver counts the samples of a span that ends at a moment, both included.
func (p *prometheus) countOver(selector string, span time.Duration, end time.Time) int {
	p.t.Helper()
	query := url.Values{"query": {fmt.Sprintf(`sum(count_over_time(%s[%dms]))`, selector, span.Milliseconds())},
		"time": {strconv.FormatFloat(float64(end.UnixMilli())/1000, 'f', 3, 64)}}
	var answer struct{ Result []struct{ Value [2]any } }
	var err error
	for range 20 { // it may be putting its blocks together
		if err = p.ask("/api/v1/query", query, &answer); err == nil {
			break
		}
		time.Sleep(500 * time.Millisecond)
	}
	if err != nil {
		p.t.Fatal(err)
	}
	if len(answer.Result) == 0 {
		return 0
	}
	n, err := strconv.Atoi(answer.Result[0].Value[1].(string))
	if err != nil {
		p.t.Fatal(err)
	}
	return n
}

// countByHours is count of one metric, an hour at a time: the server takes
// long over many late samples at once.
func (p *prometheus) countByHours(selector string, hours int) (total int) {
	p.t.Helper()
	end := time.Now()
	for range hours {
		total += p.countOver(selector, time.Hour-time.Millisecond, end)
		end = end.Add(-time.Hour)
	}
	return total
}

// runUntil runs something beside the test until there is what it waits for.
func runUntil(t *testing.T, run func(context.Context), what string, there func() bool) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); run(ctx) }()
	waitFor(t, what, there)
	cancel()
	<-done
}

func contains(text, part string) bool { return strings.Contains(text, part) }
