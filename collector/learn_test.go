package collector

import (
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

func within(q model.ReadRequest, address int) bool {
	return int(q.Address) <= address && address < int(q.Address)+int(q.Count)
}

func exception(code byte) error {
	return &model.ReadError{Cause: model.DeviceException, Exception: code, Detail: "made up"}
}

// learning runs a device of points at 0, 4, 8 and 20 for a while.
func learning(t *testing.T, answer func(q model.ReadRequest) error) (last map[model.PointID]model.Reading, learned []string, requests []asked) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		l := &scripted{takes: 10 * time.Millisecond, answer: answer}
		d := model.Device{Name: "meter", Line: "skid", Unit: 1, Points: []model.Point{point("a", 0), point("b", 4), point("c", 8), point("d", 20)}}
		c, keep := newScripted(l, nil, d)
		runFor(c, 9900*time.Millisecond)
		last, learned = c.Latest().Readings, c.Latest().Devices[0].Learned
		for _, a := range l.log {
			if a.at.After(l.log[0].at.Add(8500 * time.Millisecond)) {
				requests = append(requests, a)
			}
		}
		events := 0
		for _, e := range keep.events {
			if e.Kind == model.DeviceEvent && strings.Contains(e.Text, "refused") {
				events++
			}
		}
		if events != len(learned) {
			t.Errorf("%d events for %v", events, learned)
		}
	})
	return last, learned, requests
}

func allGood(t *testing.T, last map[model.PointID]model.Reading, but ...model.PointID) {
	t.Helper()
	for id, r := range last {
		bad := len(but) > 0 && but[0] == id
		if (r.Quality == model.Bad) != bad {
			t.Errorf("%s is %s (%s)", id, r.Quality, r.Cause)
		}
	}
}

// TestRefusedGapIsReadAround has a device with no register 6: only the gap
// that holds it is cut.
func TestRefusedGapIsReadAround(t *testing.T) {
	last, learned, requests := learning(t, func(q model.ReadRequest) error {
		if within(q, 6) {
			return exception(2)
		}
		return nil
	})
	allGood(t, last)
	if len(learned) != 1 || learned[0] != "holding 5..7 is refused; reads go around it" {
		t.Errorf("learned %q", learned)
	}
	if len(requests) != 2 {
		t.Errorf("a round takes %d reads, want 2: 0..4 and 8..20: %v", len(requests), requests)
	}
}

// TestLimitIsLearned has a device that gives 8 registers at most: 9 to 19 are
// not read through, and what is left is halved.
func TestLimitIsLearned(t *testing.T) {
	last, learned, requests := learning(t, func(q model.ReadRequest) error {
		if q.Count > 8 {
			return exception(3)
		}
		return nil
	})
	allGood(t, last)
	if len(requests) != 4 || len(learned) != 2 || !strings.Contains(learned[1], "at most 4") {
		t.Errorf("a round takes %d reads; learned %q", len(requests), learned)
	}
}

// TestSilenceTeachesNothing loses the answer to the question whether the gap
// is to blame: nothing is concluded from that, and it is left for a while.
func TestSilenceTeachesNothing(t *testing.T) {
	lost := 0
	last, learned, _ := learning(t, func(q model.ReadRequest) error {
		switch {
		case within(q, 6) && within(q, 20):
			return exception(2)
		case within(q, 6):
			if lost++; lost == 1 {
				return &model.ReadError{Cause: model.NoAnswer}
			}
			return exception(2)
		}
		return nil
	})
	if lost != 1 || len(learned) != 0 || last["a"].Quality != model.Bad {
		t.Errorf("asked %d times, learned %q, a is %s", lost, learned, last["a"].Quality)
	}
}

// TestMissingPointHurtsNoOther has a device without register 8, which a point
// wants: that point is bad, the others are not.
func TestMissingPointHurtsNoOther(t *testing.T) {
	last, _, _ := learning(t, func(q model.ReadRequest) error {
		if within(q, 8) {
			return exception(2)
		}
		return nil
	})
	allGood(t, last, "c")
}

// TestDeviceThatRefusesEverythingTeachesNothing refuses for its first five
// seconds, as one that is starting up does.
func TestDeviceThatRefusesEverythingTeachesNothing(t *testing.T) {
	var began time.Time
	last, learned, requests := learning(t, func(model.ReadRequest) error {
		if began.IsZero() {
			began = time.Now()
		}
		if time.Since(began) < 5*time.Second {
			return exception(2)
		}
		return nil
	})
	allGood(t, last)
	if len(learned) != 0 || len(requests) != 1 {
		t.Errorf("learned %q; a round takes %d reads", learned, len(requests))
	}
}

// TestRefusedGapIsAskedOnceAcrossRestarts runs a device without register 6
// twice. What the first run kept is planned by from the first round of the
// second, unless it was damaged or the device is defined otherwise since.
func TestRefusedGapIsAskedOnceAcrossRestarts(t *testing.T) {
	same := func(*model.RefusedRead, *model.Device) {}
	for name, c := range map[string]struct {
		change  func(*model.RefusedRead, *model.Device)
		again   int // refused questions of the second run
		logged  string
		learned int // shown before the second run asked anything
	}{
		"as it was":       {change: same, learned: 1},
		"defined anew":    {change: func(_ *model.RefusedRead, d *model.Device) { d.Points[0].Register.Type = model.Int16 }, again: 2},
		"another device":  {change: func(r *model.RefusedRead, _ *model.Device) { r.Device = "engine" }, again: 2},
		"not of a table":  {change: func(r *model.RefusedRead, _ *model.Device) { r.Table = 9 }, again: 2, logged: "device=meter"},
		"from behind":     {change: func(r *model.RefusedRead, _ *model.Device) { r.From = r.To + 1 }, again: 2, logged: "device=meter"},
		"more than asked": {change: func(r *model.RefusedRead, _ *model.Device) { r.Most, r.Refused = 8, 8 }, again: 2, logged: "device=meter"},
		"of nothing":      {change: func(r *model.RefusedRead, _ *model.Device) { *r = model.RefusedRead{} }, again: 2, logged: "asked again"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d := model.Device{Name: "meter", Line: "skid", Unit: 1, Points: []model.Point{point("a", 0), point("b", 4), point("c", 8)}}
				refused, _, kept, _ := runRefusing(d, nil)
				if refused != 2 || len(kept) != 1 {
					t.Fatalf("the first run was refused %d times and kept %v", refused, kept)
				}
				c.change(&kept[0], &d)
				again, shown, _, log := runRefusing(d, kept)
				if again != c.again || shown != c.learned || !strings.Contains(log, c.logged) || (c.logged == "") != (log == "") {
					t.Errorf("the second run was refused %d times, showed %d at first and logged %q", again, shown, log)
				}
			})
		})
	}
}

// runRefusing polls for a while a device that refuses what holds register 6.
// It returns how often it refused, how many refusals were shown before the
// first question, those kept and what was logged.
func runRefusing(d model.Device, known []model.RefusedRead) (refused, shown int, kept []model.RefusedRead, log string) {
	l := &scripted{takes: 10 * time.Millisecond, answer: func(q model.ReadRequest) error {
		if within(q, 6) {
			refused++
			return exception(2)
		}
		return nil
	}}
	p, keep := scriptedParts(l, nil, d)
	text := &strings.Builder{}
	p.Refused, p.Log = known, slog.New(slog.NewTextHandler(text, nil))
	c := New(p)
	shown = len(c.Latest().Devices[0].Learned)
	runFor(c, 4900*time.Millisecond)
	for _, e := range keep.events {
		if e.Refused != nil {
			kept = append(kept, *e.Refused)
		}
	}
	return refused, shown, kept, text.String()
}
