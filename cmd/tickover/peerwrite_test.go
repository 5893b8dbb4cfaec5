//go:build peers

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/daemon"
	"tickover/cmd/tickover/record"
	"tickover/collector/forward"
	"tickover/collector/metrics"
	"tickover/collector/store"
	"tickover/model"
)

const dayPoints = 32

// dayStore holds a made-up day: 32 points once a second for so many seconds,
// ended now. The day's boot is synchronised.
func dayStore(t *testing.T, seconds int) *record.Reader {
	t.Helper()
	setup := model.Setup{Lines: []model.Line{{Name: "skid"}}, Devices: []model.Device{{Name: "meter", Line: "skid", Every: time.Second}}}
	scan := &model.Scan{Group: "meter/1s", Samples: make([]model.Sample, dayPoints), Measured: dayPoints}
	for i := range dayPoints {
		id := model.PointID(fmt.Sprintf("own.p%02d", i))
		scan.Samples[i].Point = id
		setup.Devices[0].Points = append(setup.Devices[0].Points, model.Point{ID: id, Quantity: model.Voltage, Device: "meter",
			Register: model.Register{Resolution: model.Resolution{Num: 1, Den: 10}}})
	}
	s, err := store.Open(store.Options{Dir: t.TempDir(), Points: setup.Points(), KernelBoot: "a made-up day", TailBusy: time.Minute, TailSteady: time.Minute,
		Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	begin := time.Now().Add(-time.Duration(seconds+1) * time.Second)
	if err := s.Estimate(s.Boot(), model.ClockEstimate{Wall: begin.UnixNano(), Source: model.ClockSynchronised}); err != nil {
		t.Fatal(err)
	}
	for i := range seconds {
		scan.At = model.Instant{Boot: s.Boot(), Offset: time.Duration(i+1) * time.Second}
		for c := range scan.Samples {
			v := math.Round(2300+20*math.Sin(float64(i*(c+1))/300)) / 10
			scan.Samples[c] = model.GoodSample(scan.Samples[c].Point, v)
		}
		if err := s.Append(scan, nil); err != nil {
			t.Fatal(err)
		}
	}
	return record.NewLive(s, setup, nil, nil)
}

// writerTo makes a writer from a source to a server; now is the end of the day.
func writerTo(t *testing.T, src *record.Reader, folder string, to model.RemoteWrite, change func(*forward.Parts)) *forward.Writer {
	t.Helper()
	c, err := new(daemon.Secrets).Client(to.Access, daemon.Address{})
	if err != nil {
		t.Fatal(err)
	}
	to.Name, to.Every = "peer", time.Second
	to.Labels = daemon.WithIdentity(to.Labels, "day")
	last := src.Store.Last()
	parts := forward.Parts{To: to, Source: daemon.NewKeptReadings(src, src.Store), Series: namesOf(src), Client: c,
		Now: func() model.Instant { return last }, Folder: folder, Version: "test", Log: slog.New(slog.DiscardHandler)}
	if change != nil {
		change(&parts)
	}
	return forward.NewWriter(parts)
}

// A day of 32 points at 1 Hz, as it is, and with a series that no server takes
// and an hour that is too old: exact counts, and how long it took.
func TestPeerBacklogOfADay(t *testing.T) {
	src := dayStore(t, daySeconds)
	t.Run("whole", func(t *testing.T) { wholeDay(t, src) })
	t.Run("poison", func(t *testing.T) { poisonedDay(t, src) })
}

const daySeconds = 86400

// toTheEnd runs a writer until each of so many samples is sent or dropped, and
// says how long that took.
func toTheEnd(t *testing.T, w *forward.Writer, samples int) time.Duration {
	t.Helper()
	begin := time.Now()
	defer func() {
		if t.Failed() {
			t.Logf("%+v", w.Health())
		}
	}()
	runUntil(t, w.Run, "end of the backlog", func() bool {
		h := w.Health()
		n := h.Sent
		for _, dropped := range h.Dropped {
			n += dropped
		}
		return n >= uint64(samples) || h.Trouble != ""
	})
	return time.Since(begin)
}

func wholeDay(t *testing.T, src *record.Reader) {
	p := startPrometheus(t, "30d", receiver)
	w := writerTo(t, src, t.TempDir(), model.RemoteWrite{URL: p.write()}, nil)
	want := daySeconds * dayPoints
	took := toTheEnd(t, w, want)
	if got := p.count(`{job="tickover"}`); got != want || len(w.Health().Dropped) > 0 {
		t.Fatalf("%d of %d samples are there; %+v", got, want, w.Health())
	}
	t.Logf("%d samples of 24 h in %s, %.0f a second; all are there", want, took.Round(10*time.Millisecond), float64(want)/took.Seconds())
}

func poisonedDay(t *testing.T, src *record.Reader) {
	p := startPrometheus(t, "23h", receiver)
	lastMinute(t, p, src)
	series := namesOf(src)
	w := writerTo(t, src, t.TempDir(), model.RemoteWrite{URL: p.write()}, func(parts *forward.Parts) {
		parts.Series = func(id model.PointID) (model.Series, bool) {
			s, ok := series(id)
			if id == "own.p07" { // 1 of 32
				s.Labels = append(s.Labels, s.Labels...)
			}
			return s, ok
		}
	})
	took := toTheEnd(t, w, daySeconds*dayPoints)
	h := w.Health()
	got := p.countByHours(`genset_point_voltage_volts{job="tickover"}`, 25)
	if uint64(got) != h.Sent || h.Sent+h.Dropped["labels"]+h.Dropped["too old"] != daySeconds*dayPoints ||
		h.Dropped["labels"] < 82000 || h.Dropped["too old"] < 3000*dayPoints || h.Sent < 82000*(dayPoints-1) {
		t.Fatalf("%d samples are there of %d; dropped %v", got, h.Sent, h.Dropped)
	}
	t.Logf("%d there, dropped %v in %s; none lost beside", got, h.Dropped, took.Round(10*time.Millisecond))
}

// The server dies in the middle, twice; nothing is lost or doubled.
func TestPeerServerKilled(t *testing.T) {
	t.Parallel()
	p := startPrometheus(t, "30d", receiver)
	const seconds = 20000
	src := dayStore(t, seconds)
	w := writerTo(t, src, t.TempDir(), model.RemoteWrite{URL: p.write(), PerSecond: 300000}, nil)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); w.Run(ctx) }()
	for part := range uint64(2) {
		waitFor(t, "part of the backlog", func() bool { return w.Health().Sent > (part+1)*100000 })
		p.kill()
		waitFor(t, "word that the server is away", func() bool { return w.Health().Trouble != "" })
		t.Logf("killed after %d samples: %s (%s)", w.Health().Sent, w.Health().Trouble, w.Health().Hint)
		p.start()
	}
	want := seconds * dayPoints
	waitFor(t, "end of the backlog", func() bool { return p.count(`{job="tickover"}`) >= want })
	cancel()
	<-done
	if got := p.count(`{job="tickover"}`); got != want || len(w.Health().Dropped) > 0 {
		t.Fatalf("%d of %d samples are there; %+v", got, want, w.Health())
	}
}

// lastMinute gives a server something new, so that it knows what is old.
func lastMinute(t *testing.T, p *prometheus, src *record.Reader) {
	t.Helper()
	w := writerTo(t, src, t.TempDir(), model.RemoteWrite{URL: p.write(), Oldest: time.Minute, Labels: []model.Label{{Name: "job", Value: "recent"}}}, nil)
	runUntil(t, w.Run, "last minute", func() bool { return w.Health().Sent > 50*dayPoints })
}

// Servers that are not set up for it: each is explained with the setting.
func TestPeerServersNotSetUp(t *testing.T) {
	t.Parallel()
	src := dayStore(t, 4*3600)
	off := startPrometheus(t, "30d")
	w := writerTo(t, src, t.TempDir(), model.RemoteWrite{URL: off.write()}, nil)
	runUntil(t, w.Run, "trouble", func() bool { return w.Health().Trouble != "" })
	if h := w.Health(); !contains(h.Hint, receiver) || h.Sent != 0 {
		t.Errorf("without the receiver: %+v", h)
	}
	p := startPrometheus(t, "", receiver)
	lastMinute(t, p, src)
	narrow := writerTo(t, src, t.TempDir(), model.RemoteWrite{URL: p.write()}, nil)
	runUntil(t, narrow.Run, "end of the backlog", func() bool {
		h := narrow.Health()
		return h.Sent+h.Dropped["too old"]+h.Dropped["out of order"] == 4*3600*dayPoints
	})
	h := narrow.Health()
	if got := p.count(`{job="tickover"}`); uint64(got) != h.Sent || h.Sent < 3000*dayPoints || h.Dropped["too old"] < 9000*dayPoints {
		t.Errorf("without a window %d are there of %+v", got, h)
	}
	t.Logf("without a window: %+v", narrow.Health())
}

// The demonstration's daemon is killed in the middle of its backlog and once
// more later; what its cursor says was sent is there, once each.
func TestPeerDaemonKilled(t *testing.T) {
	t.Parallel()
	p := startPrometheus(t, "30d", receiver)
	h := newHall(t, "remote write: [{name: peer, url: '"+p.write()+"', every: 1 s, samples a second: 100000}]\n")
	for _, least := range []int{50000, 400000} {
		h.start()
		waitFor(t, "samples at the server", func() bool { return p.count(`{job="tickover"}`) > least })
		h.kill()
	}
	h.start()
	waitFor(t, "live samples at the server", p.fresh)
	h.stop()
	want, got := kept(t, h.state), p.counts(`{job="tickover"}`)
	total, set := 0, 0
	for n := range want {
		if total += want[n]; got[n] != want[n] {
			t.Errorf("%s: %d samples at the server, %d in the store", n, got[n], want[n])
		}
		if strings.HasPrefix(n, "genset_") {
			set++
		} else if !strings.HasPrefix(n, "tickover_") {
			t.Errorf("%s is a name of neither the set nor the logger", n)
		}
	}
	if set < 20 {
		t.Errorf("too few metrics of the set to prove anything: %v", want)
	}
	t.Logf("%d samples of %d metrics, equal in store and server: %v", total, len(want), !t.Failed())
}

type cursorFile struct {
	Groups map[string]model.Instant `json:"groups"`
}

func readCursor(state string) (cursorFile, error) {
	var c cursorFile
	text, err := os.ReadFile(filepath.Join(state, "outlets", "peer.json"))
	return c, errors.Join(err, json.Unmarshal(text, &c))
}

// fresh reports whether the server has a live sample of the last seconds.
func (p *prometheus) fresh() bool {
	var answer struct{ Result []struct{ Value [2]any } }
	err := p.ask("/api/v1/query", url.Values{"query": {`time() - timestamp(genset_battery_voltage_volts{job="tickover"}) < 5`}}, &answer)
	return err == nil && len(answer.Result) == 1
}

// kept counts, metric by metric, what the store holds up to the cursor.
func kept(t *testing.T, state string) map[string]int {
	t.Helper()
	s, err := store.Open(store.Options{Dir: state, ReadOnly: true, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	c, err := readCursor(state)
	if err != nil {
		t.Fatal(err)
	}
	setup, ok, err := s.Setup()
	if !ok || err != nil {
		t.Fatal("the store holds no configuration")
	}
	name := metrics.Naming(setup.Points())
	all := map[string]int{}
	for scan, err := range (record.NewLive(s, setup, nil, nil)).Scans(model.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if c.Groups[scan.Group].Before(scan.At) {
			continue
		}
		for _, sample := range scan.Samples {
			if series, ok := name(sample.Point); ok && sample.Quality == model.Good {
				all[series.Name]++
			}
		}
	}
	return all
}

// blighted gives one sample in a hundred, at random, a point of its own that
// no server takes: nothing that was learnt from one helps against the next.
type blighted struct{ forward.Source }

const blight = "blight."

func struck(at model.Instant, i int) bool {
	return rand.New(rand.NewPCG(uint64(at.Offset), uint64(i))).IntN(100) == 0
}

func (b blighted) Scans(q model.Query) iter.Seq2[*model.Scan, error] {
	return func(yield func(*model.Scan, error) bool) {
		for scan, err := range b.Source.Scans(q) {
			if err == nil {
				own := *scan
				own.Samples = slices.Clone(scan.Samples)
				for i := range own.Samples {
					if struck(scan.At, i) {
						own.Samples[i].Point = model.PointID(fmt.Sprintf("%s%d.%d", blight, scan.At.Offset, i))
					}
				}
				scan = &own
			}
			if !yield(scan, err) {
				return
			}
		}
	}
}

// One sample in a hundred is refused at random, of a series that never comes
// again: the hardest case, as nothing can be learnt from one for the next. Of
// an hour, or of BLIGHT_SECONDS.
func TestPeerRandomPoison(t *testing.T) {
	seconds := 3600
	if text := os.Getenv("BLIGHT_SECONDS"); text != "" {
		var err error
		if seconds, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	p := startPrometheus(t, "30d", receiver)
	src := dayStore(t, seconds)
	series := namesOf(src)
	poison := 0
	for s := range seconds {
		for i := range dayPoints {
			if struck(model.Instant{Offset: time.Duration(s+1) * time.Second}, i) {
				poison++
			}
		}
	}
	w := writerTo(t, src, t.TempDir(), model.RemoteWrite{URL: p.write()}, func(parts *forward.Parts) {
		parts.Source = blighted{parts.Source}
		parts.Series = func(id model.PointID) (model.Series, bool) {
			if !strings.HasPrefix(string(id), blight) {
				return series(id)
			}
			own := model.Label{Name: "point", Value: string(id)}
			return model.Series{Name: "genset_point_volts", Labels: []model.Label{own, own}, Scale: 1}, true
		}
	})
	want := seconds*dayPoints - poison
	took := toTheEnd(t, w, seconds*dayPoints)
	h := w.Health()
	got := p.count(`{job="tickover"}`)
	if got != want || h.Sent != uint64(want) || h.Dropped["labels"] != uint64(poison) || len(h.Dropped) != 1 {
		t.Fatalf("%d samples are there, want %d, and %d dropped; %+v", got, want, poison, h)
	}
	t.Logf("%d there, %d of %d dropped at random (%.2f %%) in %s; none lost beside", got, poison, seconds*dayPoints,
		100*float64(poison)/float64(seconds*dayPoints), took.Round(10*time.Millisecond))
}

// namesOf names the series of what a source has.
func namesOf(src *record.Reader) func(model.PointID) (model.Series, bool) {
	setup := src.Setup()
	return metrics.Naming(setup.Points())
}
