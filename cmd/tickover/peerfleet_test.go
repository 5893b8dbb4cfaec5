//go:build peers

package main

import (
	"context"
	"fmt"
	"iter"
	"log/slog"
	"math"
	"net/http"
	"os"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"tickover/cmd/tickover/daemon"
	"tickover/collector/forward"
	"tickover/collector/metrics"
	"tickover/model"
)

// farSkid is a made-up set that answers with 32 points at 1 Hz, from some time
// ago up to now, without a store.
type farSkid struct {
	number int
	begin  time.Time // when its one boot began
	points []model.PointID
}

func (s *farSkid) now() model.Instant { return model.Instant{Boot: 1, Offset: time.Since(s.begin)} }

func (s *farSkid) Clock() model.Clock {
	return model.Clock{Boots: []model.Boot{{Number: 1, First: time.Second, Last: time.Since(s.begin), Estimates: []model.ClockEstimate{{Wall: s.begin.UnixNano(), Source: model.ClockSynchronised}}}}}
}

func (s *farSkid) Scans(q model.Query) iter.Seq2[*model.Scan, error] {
	return func(yield func(*model.Scan, error) bool) {
		for at := max(q.From.Offset.Truncate(time.Second), time.Second); at < time.Since(s.begin); at += time.Second {
			scan := &model.Scan{Group: "meter/1s", At: model.Instant{Boot: 1, Offset: at}}
			for i, p := range s.points {
				v := math.Round(2300+20*math.Sin(float64(s.number)+at.Seconds()*float64(i+1)/300)) / 10
				scan.Samples = append(scan.Samples, model.GoodSample(p, v))
			}
			if !yield(scan, nil) {
				return
			}
		}
	}
}

// counted counts the bytes that go out in bodies.
type counted struct {
	http.RoundTripper
	bytes, requests *atomic.Int64
}

func (c counted) RoundTrip(r *http.Request) (*http.Response, error) {
	c.bytes.Add(max(r.ContentLength, 0))
	c.requests.Add(1)
	return c.RoundTripper.RoundTrip(r)
}

// used is the processor time of a process in seconds and its resident memory
// in bytes, from /proc (proc(5)).
func used(t *testing.T, pid int) (cpu float64, resident int) {
	t.Helper()
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		t.Fatal(err)
	}
	fields := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+1:]))
	user, _ := strconv.Atoi(fields[11])
	system, _ := strconv.Atoi(fields[12])
	pages, _ := strconv.Atoi(fields[21])
	return float64(user+system) / 100, pages * os.Getpagesize()
}

// liveLook is how long the live part is looked at: one request of each skid.
const liveLook = 10 * time.Second

// Two hundred skids push to one Prometheus: first what they kept during an
// outage of two minutes (FLEET_OUTAGE), then live. Every sample is there.
func TestPeerFleet(t *testing.T) {
	const skids = 200
	outage := 2 * time.Minute
	if text := os.Getenv("FLEET_OUTAGE"); text != "" {
		var err error
		if outage, err = time.ParseDuration(text); err != nil {
			t.Fatal(err)
		}
	}
	p := startPrometheus(t, "30d", receiver)
	setup := model.Setup{Devices: []model.Device{{Every: time.Second}}}
	var points []model.PointID
	for i := range dayPoints {
		points = append(points, model.PointID(fmt.Sprintf("own.p%02d", i)))
		setup.Devices[0].Points = append(setup.Devices[0].Points, model.Point{ID: points[i], Quantity: model.Voltage})
	}
	var bytes, requests atomic.Int64
	http.DefaultTransport.(*http.Transport).MaxIdleConnsPerHost = skids
	transport := counted{http.DefaultTransport, &bytes, &requests}
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	var writers []*forward.Writer
	begin := time.Now()
	for n := range skids {
		s := &farSkid{number: n, begin: begin.Add(-outage), points: points}
		w := forward.NewWriter(forward.Parts{To: model.RemoteWrite{Name: "skid", URL: p.write(), Labels: daemon.WithIdentity(nil, fmt.Sprintf("skid-%03d", n))},
			Source: s, Series: metrics.Naming(setup.Points()), Client: &http.Client{Transport: transport}, Now: s.now, Folder: t.TempDir(), Version: "test", Log: slog.New(slog.DiscardHandler)})
		writers = append(writers, w)
		work.Go(func() { w.Run(ctx) })
	}
	sent := func() (n uint64) {
		for _, w := range writers {
			n += w.Health().Sent
		}
		return n
	}
	backlog := uint64(skids * dayPoints * (int(outage/time.Second) - 1))
	waitFor(t, "end of the backlog", func() bool { return sent() >= backlog })
	caught := time.Since(begin)
	time.Sleep(2 * time.Second) // into the live part
	live, liveBytes, liveRequests := sent(), bytes.Load(), requests.Load()
	cpu, _ := used(t, p.cmd.Process.Pid)
	since := time.Now()
	time.Sleep(liveLook)
	liveFor := time.Since(since).Seconds()
	cpuLive, resident := used(t, p.cmd.Process.Pid)
	liveSamples, perSample := sent()-live, 0.0
	if liveSamples > 0 {
		perSample = float64(bytes.Load()-liveBytes) / float64(liveSamples)
	}
	liveCalls := requests.Load() - liveRequests
	cancel()
	work.Wait()
	if got := p.count(`{job="tickover"}`); uint64(got) != sent() {
		t.Errorf("%d samples are there of %d", got, sent())
	}
	t.Logf("%d skids x %d points: %d samples of an outage of %s in %s (%.0f a second)", skids, dayPoints, backlog, outage, caught.Round(100*time.Millisecond), float64(backlog)/caught.Seconds())
	t.Logf("live: %.0f samples/s in %.1f requests/s, %.2f bytes a sample in bodies, %.1f MB a skid and day; the server used %.0f %% of a core and %d MiB",
		float64(liveSamples)/liveFor, float64(liveCalls)/liveFor, perSample, perSample*dayPoints*86400/1e6, 100*(cpuLive-cpu)/liveFor, resident>>20)
	t.Logf("%d samples in all, each there once; %d series", sent(), skids*dayPoints)
}
