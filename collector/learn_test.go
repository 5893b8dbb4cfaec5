package collector

import (
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
