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

	"tickover/cmd/tickover/page"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// recorder is a daemon whose store keeps full samples for an hour only; one
// point, every ten seconds.
type recorder struct {
	*daemon
	t *testing.T
}

func record(t *testing.T, dir, kernel string) recorder {
	t.Helper()
	setup := model.Setup{Devices: []model.Device{{Name: "box", Points: []model.Point{{ID: "v"}, {ID: "w"}}}}}
	cfg := &config.Config{StateDir: dir, Setup: setup, Store: config.Keeping{Samples: time.Hour, RiskSteady: 9 * time.Minute}}
	d, err := newDaemon(cfg, store.Options{KernelBoot: kernel}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	return recorder{d, t}
}

// run logs from one moment of the boot to another.
func (r recorder) run(from, to time.Duration) {
	r.t.Helper()
	for at := from; at < to; at += 10 * time.Second {
		scan := &model.Scan{Group: "box/10s", At: model.Instant{Boot: r.store.Boot(), Offset: at}, Measured: 2,
			Samples: []model.Sample{model.GoodSample("v", float64(at%7)), model.BadSample("w", model.NoAnswer)}}
		if err := r.store.Append(scan, nil); err != nil {
			r.t.Fatal(err)
		}
	}
}

func (r recorder) happen(at time.Duration, e model.Event) {
	r.t.Helper()
	e.At = model.Instant{Boot: r.store.Boot(), Offset: at}
	if err := r.store.AppendEvents([]model.Event{e}); err != nil {
		r.t.Fatal(err)
	}
}

func (r recorder) end() {
	r.t.Helper()
	if err := r.close(); err != nil {
		r.t.Fatal(err)
	}
}

func critical(rule string) model.Event {
	return model.Event{Kind: model.AlarmTransition, Text: rule, Alarm: &model.AlarmEvent{Rule: rule, Label: rule, Priority: model.Critical, To: model.AlarmUnacknowledged}}
}

// Hours of readings in a store that keeps one: two alarms that share a box, an abrupt
// stop that no alarm spoke of, an alarm with a restart of tickover before it,
// one that the computer's restart cut short, and one soon after that. All of
// the readings are there, and each box says what it lacks and why.
func TestBlackBoxesOutliveTheThinning(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	r := record(t, dir, "first")
	const h, m = time.Hour, time.Minute
	r.run(0, h)
	r.happen(20*m, critical("oil"))
	r.happen(20*m+30*time.Second, critical("heat"))
	r.happen(40*m, model.Event{Kind: model.EngineEvent, Engine: &model.StateChange{From: model.Loaded, To: model.RunningDown, Abrupt: true}})
	r.happen(50*m, model.Event{Kind: model.EngineEvent, Engine: &model.StateChange{From: model.Unloaded, To: model.RunningDown}})
	r.run(h, h+10*m)
	r.happen(h+10*m, model.Event{Kind: model.DaemonEvent, Text: "tickover stops"})
	r.end()
	r = record(t, dir, "first")
	r.happen(h+12*m, model.Event{Kind: model.DaemonEvent, Text: "tickover starts"})
	r.run(h+12*m, h+30*m+20*time.Second)
	r.happen(h+13*m, critical("after the pause"))
	r.happen(h+30*m, critical("before the cut"))
	r.end()
	r = record(t, dir, "second")
	r.run(0, 2*m)
	r.happen(2*m, critical("after the cut"))
	r.run(2*m, 3*h)
	r.end()
	var boxes []page.BlackBox
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
		{"after the pause: unacknowledged", "1+1h8m0s to 1+1h14m0s", 24, []string{"no readings for 2m10s from 1+1h9m50s on: tickover was started anew"}},
		{"before the cut: unacknowledged", "1+1h25m0s to 1+1h31m0s", 32, []string{"no readings for 50s from 1+1h30m10s on: the computer was started anew"}},
		{"after the cut: unacknowledged", "2+0s to 2+3m0s", 18, []string{"the computer had started only 2m0s before"}},
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
	if code, _, said := call(t, "export", "--state", dir, "--box", "9999"); code != exitUsage || !strings.Contains(said, "alarms boxes") {
		t.Errorf("a box that is not there: %d %s", code, said)
	}
	if text := must(t, "alarms", "boxes", "--state", dir); !strings.Contains(text, "1+15m0s to 1+21m30s") || !strings.Contains(text, "tickover was started anew") {
		t.Error(text)
	}
}
