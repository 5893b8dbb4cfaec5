package store

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/model"
)

// TestHoldBoundsHoldForEverySeal cuts a block of rows into seals in every way
// that matters to one row, and wants its hold within the bounds that verify
// works out from the block alone.
func TestHoldBoundsHoldForEverySeal(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		gaps := rapid.SliceOfN(rapid.SampledFrom([]int64{1, 1e6, 9e8, 1e9, 1e9 + 3e6, 25e8, 4e9, 61e9, 601e9}), 0, 20).
			Draw(t, "gaps")
		at := []int64{0}
		for _, gap := range gaps {
			at = append(at, at[len(at)-1]+gap)
		}
		least, most := holdBounds(at)
		for from := range at {
			for to := from + 2; to <= len(at) && at[to-1]-at[to-2] < int64(window); to++ {
				for i, held := range holds(at[from:to]) {
					if row := from + i; held < least[row] || held > most[row] {
						t.Fatalf("rows %d to %d in one seal: row %d holds %d, from %d to %d is expected",
							from, to-1, row, held, least[row], most[row])
					}
				}
			}
		}
	})
}

// TestHoldBoundsAreTightAwayFromAGap wants a steady point's holds known to the
// gaps next to each row; only the two rows around an outage may differ by it.
func TestHoldBoundsAreTightAwayFromAGap(t *testing.T) {
	var at []int64
	for i := range int64(600) {
		at = append(at, i*int64(time.Second)+i%3*int64(10*time.Millisecond))
		if i >= 300 {
			at[i] += int64(5 * time.Minute)
		}
	}
	least, most := holdBounds(at)
	for i := range at {
		if i == 299 || i == 300 {
			continue
		}
		if least[i] < int64(970*time.Millisecond) || most[i] > int64(1020*time.Millisecond) {
			t.Errorf("row %d: from %d to %d", i, least[i], most[i])
		}
	}
}

// TestMinutesOfEverySealAgreeWithTheSamples cuts rows into seals anywhere, and
// wants the minutes joined from the seals to differ from those worked out of
// the whole block by no more than verify allows for.
func TestMinutesOfEverySealAgreeWithTheSamples(t *testing.T) {
	t.Parallel()
	sc := &schema{group: "g", points: []model.PointID{"v"}, scales: []scale{scaleOf(testPoints()["v"])}}
	rapid.Check(t, func(t *rapid.T) {
		whole, seal := newRows(sc, 1), newRows(sc, 1)
		var stored *minutes
		at := time.Duration(0)
		for range rapid.IntRange(1, 20).Draw(t, "rows") {
			at += time.Duration(rapid.SampledFrom([]int64{1, 1e6, 9e8, 1e9, 1e9 + 3e6, 25e8, 4e9, 61e9, 601e9}).Draw(t, "gap"))
			end := rapid.IntRange(0, 3).Draw(t, "seal") == 0
			if n := len(seal.at); n > 0 && (end || int64(at)/int64(window) > seal.at[0]/int64(window)) {
				stored = joinedMinutes(stored, summarise(seal))
				seal = newRows(sc, 1)
			}
			scan := scanAt("g", 1, at, model.GoodSample("v", float64(rapid.IntRange(0, 5000).Draw(t, "v"))/10))
			whole.add(scan)
			seal.add(scan)
		}
		stored = joinedMinutes(stored, summarise(seal))
		check := &minuteCheck{worked: map[minuteOf]*workedMinute{}, stored: map[minuteOf]*minutes{}}
		check.take(whole)
		for i := range stored.at {
			w := check.worked[minuteOf{stored.instant(i), sc}]
			if what := w.differs(stored.slice(i, i+1)); what != "" {
				t.Fatalf("minute %d: %s", stored.at[i], what)
			}
		}
	})
}

func joinedMinutes(stored, m *minutes) *minutes {
	if stored == nil {
		return m
	}
	stored.join(m)
	return stored
}

// TestVerifyFindsAWrongMeanOfSlowRounds moves the mean of a minute of five-second
// rounds by a twentieth of its span. That rows may have been sealed alone, with a
// hold of one second, must not hide it: the stored time shows that none was.
func TestVerifyFindsAWrongMeanOfSlowRounds(t *testing.T) {
	sc := &schema{group: "g", points: []model.PointID{"v"}, scales: []scale{scaleOf(testPoints()["v"])}}
	r := newRows(sc, 1)
	for i := range 24 {
		r.add(scanAt("g", 1, time.Duration(i)*5*time.Second, model.GoodSample("v", float64(i%6*10))))
	}
	check := &minuteCheck{worked: map[minuteOf]*workedMinute{}}
	check.take(r)
	stored := summarise(r).slice(0, 1)
	w := check.worked[minuteOf{stored.instant(0), sc}]
	if what := w.differs(stored); what != "" {
		t.Fatal(what)
	}
	stored.cols[0].Mean[0] += 50. / 20
	if what := w.differs(stored); what == "" {
		t.Fatal("a wrong mean was taken for right")
	}
}

// TestVerifyAllowsAPartRoundedBeforeAnOddValue seals most of a minute in counts,
// which rounds its mean, and then a value that no count of the register gives.
func TestVerifyAllowsAPartRoundedBeforeAnOddValue(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, options(dir))
	for i := range 60 {
		v := 0.0
		switch {
		case i < 15:
			v = 0.1
		case i == 59:
			v = -5e-324
			mustClose(t, s)
			s = mustOpen(t, options(dir))
		}
		mustAppend(t, s, scanAt("g", 1, time.Duration(i)*time.Second, model.GoodSample("v", v)))
	}
	mustClose(t, s)
	mustBeClean(t, dir)
}
