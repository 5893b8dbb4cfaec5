package collector

import (
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// TestPeekReadsAroundAHole reads a device once that has no register 6 and gives
// eight registers at most: every point of it is good, and nothing is said to be
// wrong.
func TestPeekReadsAroundAHole(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &scripted{takes: 10 * time.Millisecond, answer: func(q model.ReadRequest) error {
			switch {
			case within(q, 6):
				return exception(2)
			case q.Count > 8:
				return exception(3)
			}
			return nil
		}}
		def := model.Line{Name: "skid"}
		d := model.Device{Name: "meter", Line: "skid", Unit: 1, Points: []model.Point{point("a", 0), point("b", 4), point("c", 8), point("d", 20)}}
		began := time.Now()
		now := func() model.Instant { return model.Instant{Boot: 1, Offset: time.Since(began) + time.Second} }
		for _, g := range Groups(def, []model.Device{d}) {
			scan, err := Once(t.Context(), l, def, g, now)
			if err != nil {
				t.Error(err)
			}
			for _, s := range scan.Samples {
				if s.Quality != model.Good {
					t.Errorf("%s is %s: %s", s.Point, s.Quality, s.Cause)
				}
			}
		}
		if took := time.Since(began); took > time.Second {
			t.Errorf("it took %s", took)
		}
	})
}

// TestPeekStillSaysWhatIsMissing reads a device that refuses a register by
// itself: that point is bad and named, and the others are good.
func TestPeekStillSaysWhatIsMissing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &scripted{takes: 10 * time.Millisecond, answer: func(q model.ReadRequest) error {
			if within(q, 8) {
				return exception(2)
			}
			return nil
		}}
		def := model.Line{Name: "skid"}
		d := model.Device{Name: "meter", Line: "skid", Unit: 1, Points: []model.Point{point("a", 0), point("b", 4), point("c", 8), point("d", 20)}}
		now := func() model.Instant { return model.Instant{Boot: 1, Offset: time.Second} }
		scan, err := Once(t.Context(), l, def, Groups(def, []model.Device{d})[0], now)
		if !refusesRange(err) {
			t.Errorf("got %v", err)
		}
		for _, s := range scan.Samples {
			if (s.Quality == model.Good) == (s.Point == "c") {
				t.Errorf("%s is %s: %s", s.Point, s.Quality, s.Cause)
			}
		}
	})
}
