package main

import (
	"encoding/csv"
	"encoding/json"
	"log/slog"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/daemon"
	"tickover/cmd/tickover/record"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// recorder is a daemon whose store keeps full samples for an hour only; one
// point, every ten seconds.
type recorder struct {
	*daemon.Daemon
	t *testing.T
}

func recordOf(t *testing.T, dir, kernel string) recorder {
	t.Helper()
	setup := model.Setup{Devices: []model.Device{{Name: "box", Points: []model.Point{{ID: "v"}, {ID: "w"}}}}}
	cfg := &config.Config{StateDir: dir, Setup: setup, Store: config.Retention{Samples: time.Hour, RiskSteady: 9 * time.Minute}}
	d, err := daemon.New(cfg, store.Options{KernelBoot: kernel}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	return recorder{d, t}
}

// run logs from one moment of the boot to another.
func (r recorder) run(from, to time.Duration) {
	r.t.Helper()
	for at := from; at < to; at += 10 * time.Second {
		scan := &model.Scan{Group: "box/10s", At: model.Instant{Boot: r.Store.Boot(), Offset: at}, Measured: 2,
			Samples: []model.Sample{model.GoodSample("v", float64(at%7)), model.BadSample("w", model.NoAnswer)}}
		if err := r.Store.Append(scan, nil); err != nil {
			r.t.Fatal(err)
		}
	}
}

func (r recorder) happen(at time.Duration, e model.Event) {
	r.t.Helper()
	e.At = model.Instant{Boot: r.Store.Boot(), Offset: at}
	if err := r.Store.AppendEvents([]model.Event{e}); err != nil {
		r.t.Fatal(err)
	}
}

func (r recorder) end() {
	r.t.Helper()
	if err := r.Close(); err != nil {
		r.t.Fatal(err)
	}
}

func critical(rule string) model.Event {
	return model.Event{Kind: model.AlarmTransition, Text: rule, Alarm: &model.AlarmEvent{Rule: rule, Label: rule, Priority: model.Critical, To: model.AlarmUnacknowledged}}
}

// Hours of readings in a store that keeps one: two alarms that share a box, an abrupt
// stop that no alarm spoke of, an alarm with a restart of tickover before it, and
// one before and one after a restart of the computer, which share a box of both
// boots. All of the readings are there, and each box says what it lacks and why.
func TestBlackBoxesOutliveTheThinning(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	r := recordOf(t, dir, "first")
	const h, m = time.Hour, time.Minute
	r.run(0, h)
	r.happen(20*m, critical("oil"))
	r.happen(20*m+30*time.Second, critical("heat"))
	r.happen(40*m, model.Event{Kind: model.EngineEvent, Engine: &model.StateChange{From: model.Loaded, To: model.RunningDown, Abrupt: true}})
	r.happen(50*m, model.Event{Kind: model.EngineEvent, Engine: &model.StateChange{From: model.Unloaded, To: model.RunningDown}})
	r.run(h, h+10*m)
	r.happen(h+10*m, model.Event{Kind: model.DaemonEvent, Text: "tickover stops"})
	r.end()
	r = recordOf(t, dir, "first")
	r.happen(h+12*m, model.Event{Kind: model.DaemonEvent, Text: "tickover starts"})
	r.run(h+12*m, h+30*m+20*time.Second)
	r.happen(h+13*m, critical("after the pause"))
	r.happen(h+30*m, critical("before the cut"))
	r.end()
	r = recordOf(t, dir, "second")
	r.run(0, 2*m)
	r.happen(2*m, critical("after the cut"))
	r.run(2*m, 3*h)
	r.end()
	var boxes []api.BlackBox
	if err := json.Unmarshal([]byte(must(t, "alarms", "boxes", "--json", "--state", dir)), &boxes); err != nil {
		t.Fatal(err)
	}
	want := []struct {
		why, span string
		scans     int
		lacks     []string
	}{
		{"oil: unacknowledged; heat: unacknowledged", "1+15m0s to 1+21m30s", 39, nil},
		{"the engine stopped abruptly", "1+35m0s to 1+41m0s", 36, nil},
		{"after the pause: unacknowledged", "1+1h8m0s to 1+1h14m0s", 24, []string{"no readings for 2 min 10 s from 1+1h9m50s on: tickover was started anew"}},
		{"before the cut: unacknowledged; after the cut: unacknowledged", "1+1h25m0s to 2+3m0s", 50, []string{
			"the computer was started anew between 1+1h30m10s and 2+0s; for how long nothing was kept is not determined, since no clock that is vouched for dates both boots: the readings before it may be older than they look"}},
	}
	if len(boxes) != len(want) {
		t.Fatalf("%d boxes: %+v", len(boxes), boxes)
	}
	for i, b := range boxes {
		w := want[i]
		if why := strings.Join(b.Why, "; "); why != w.why || b.FromInstant+" to "+b.ToInstant != w.span || b.Scans != w.scans || b.Readings != 2*w.scans ||
			b.Points != 2 || b.Whole != (len(w.lacks) == 0) || !slices.Equal(b.Lacks, append([]string{}, w.lacks...)) {
			t.Errorf("got  %+v\nwant %+v", b, w)
		}
		rows, err := csv.NewReader(strings.NewReader(must(t, "export", "--state", dir, "--box", strconv.FormatUint(b.ID, 10)))).ReadAll()
		if err != nil || len(rows) != 1+w.scans {
			t.Errorf("the export of box %d has %d rows, want %d and a head: %v", b.ID, len(rows), w.scans, err)
		}
	}
	// The second alarm of the first box names it as well; the thinning was real.
	if rows := strings.Count(must(t, "export", "--state", dir, "--box", strconv.FormatUint(boxes[0].ID+1, 10)), "\n"); rows != 40 {
		t.Errorf("by its second alarm the first box has %d lines", rows)
	}
	if rows := strings.Count(must(t, "export", "--state", dir, "--from", "2+40m", "--to", "2+1h30m"), "\n"); rows > 1 {
		t.Errorf("%d rows are left of a time that should be thinned out", rows)
	}
	if code, _, said := call(t, "export", "--state", dir, "--box", "9999"); code != model.UsageFault || !strings.Contains(said, "alarms boxes") {
		t.Errorf("a box that is not there: %d %s", code, said)
	}
	if text := must(t, "alarms", "boxes", "--state", dir); !strings.Contains(text, "1+15m0s to 1+21m30s") || !strings.Contains(text, "tickover was started anew") {
		t.Error(text)
	}
}

// The clocks tell for how long the computer was off. The box takes as much of
// the boot before as that leaves, in order, keeps it from thinning, and says
// where the gap is; one that was off for longer begins with its boot.
func TestABlackBoxReachesAcrossARestartOfTheComputer(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	const h, m, s = time.Hour, time.Minute, time.Second
	day := time.Date(2026, 2, 3, 4, 0, 0, 0, time.UTC)
	began := func(r recorder, after time.Duration) {
		r.t.Helper()
		if err := r.Store.Estimate(r.Store.Boot(), model.ClockEstimate{Wall: day.Add(after).UnixNano(), Source: model.ClockSynchronised}); err != nil {
			r.t.Fatal(err)
		}
	}
	r := recordOf(t, dir, "first")
	began(r, 0)
	r.run(0, h)
	r.happen(h-20*s, critical("at the end of the first"))
	r.end()
	r = recordOf(t, dir, "second")
	began(r, h+20*s) // 30 s after the last reading
	r.run(0, h)
	r.end()
	r = recordOf(t, dir, "third")
	began(r, 2*h+100*s) // 90 s after the last reading
	r.run(30*s, h)
	r.happen(m, critical("soon after the third began"))
	r.end()
	r = recordOf(t, dir, "fourth")
	began(r, 9*h)
	r.run(0, 2*m)
	r.happen(m, critical("after hours off"))
	r.run(2*m, 4*h)
	r.end()
	var boxes []api.BlackBox
	if err := json.Unmarshal([]byte(must(t, "alarms", "boxes", "--json", "--state", dir)), &boxes); err != nil {
		t.Fatal(err)
	}
	want := []struct {
		span  string
		scans int
		lacks []string
	}{
		// 60 s after 1+59m40s are 10 s of the first boot, 30 s off and 20 s of the second.
		{"1+54m40s to 2+20s", 34, []string{"the computer was started anew between 1+59m50s and 2+0s; nothing was kept for 30 s until it began"}},
		// 300 s before 3+1m are 60 s of the third, 90 s off and 150 s of the second, which ended at 59m50s.
		{"2+57m20s to 3+2m0s", 25, []string{"the computer was started anew between 2+59m50s and 3+30s; nothing was kept for 1 min 30 s until it began"}},
		{"4+0s to 4+2m0s", 12, []string{"the computer had started only 1 min before, and kept nothing for 5 h 58 min 30 s until then"}},
	}
	if len(boxes) != len(want) {
		t.Fatalf("%d boxes: %+v", len(boxes), boxes)
	}
	for i, b := range boxes {
		if b.FromInstant+" to "+b.ToInstant != want[i].span || b.Scans != want[i].scans || !slices.Equal(b.Lacks, want[i].lacks) {
			t.Errorf("got  %+v\nwant %+v", b, want[i])
		}
		rows, err := csv.NewReader(strings.NewReader(must(t, "export", "--state", dir, "--box", strconv.FormatUint(b.ID, 10)))).ReadAll()
		if err != nil || len(rows) != 1+want[i].scans {
			t.Errorf("the export of box %d has %d rows, want %d and a head: %v", b.ID, len(rows), want[i].scans, err)
		}
	}
}

// A box that was read whole is remembered: asked again, it is told without
// reading anything, until a boot is dated anew.
func TestABlackBoxIsReadOnce(t *testing.T) {
	t.Parallel()
	r := recordOf(t, t.TempDir(), "only")
	const h, m = time.Hour, time.Minute
	r.run(0, 10*m)
	r.happen(10*m, critical("oil"))
	r.run(10*m, h)
	s := record.NewLive(r.Store, r.Cfg.Setup, nil, nil)
	count := func() model.BlackBox {
		boxes, err := s.BlackBoxes(t.Context())
		if err != nil || len(boxes) != 1 {
			t.Fatalf("%d boxes, %v", len(boxes), err)
		}
		if err := s.CountBlackBox(t.Context(), &boxes[0]); err != nil {
			t.Fatal(err)
		}
		return boxes[0]
	}
	first := count()
	kept, _ := s.Counted.Load(first.ID)
	if second := count(); first.Scans != 36 || second.Scans != first.Scans || second.Readings != 72 || second.Points != 2 || len(second.Lacks) != 0 {
		t.Errorf("first %+v, then %+v", first, second)
	}
	if again, _ := s.Counted.Load(first.ID); again != kept {
		t.Error("the box was read a second time")
	}
	if err := r.Store.Estimate(r.Store.Boot(), model.ClockEstimate{Wall: 1e18, Source: model.ClockPhone}); err != nil {
		t.Fatal(err)
	}
	count()
	if again, _ := s.Counted.Load(first.ID); again == kept {
		t.Error("the box is not read again after its boot was dated anew")
	}
	r.end()
}
