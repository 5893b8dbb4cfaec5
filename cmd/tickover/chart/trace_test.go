package chart

import (
	"testing"

	"pgregory.net/rapid"
)

func TestDipOfOneReadingSurvivesAnyLength(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 40_000).Draw(t, "readings")
		at := rapid.IntRange(0, n-1).Draw(t, "where")
		span := rapid.SampledFrom([]float64{0, float64(n)}).Draw(t, "span")
		tr := newTrace(span, Paper.Columns)
		for i := range n {
			v := 50.0
			if i == at {
				v = 46.8
			}
			tr.add(float64(i), v)
		}
		if low, high, ok := tr.extent(); !ok || low != 46.8 || high != 50 && n > 1 {
			t.Fatalf("extent %v..%v, want 46.8..50", low, high)
		}
		if len(tr.columns) > Paper.Columns {
			t.Fatalf("%d columns", len(tr.columns))
		}
		drawn := 0
		for _, p := range tr.lines()[0] {
			if p.v == 46.8 {
				drawn++
			}
		}
		if drawn != 1 {
			t.Fatalf("the dip is drawn %d times", drawn)
		}
	})
}

func TestGapsAreNotJoined(t *testing.T) {
	tr := newTrace(600, 600)
	for i := range 600 {
		switch {
		case i >= 100 && i < 200: // silence
		case i >= 300 && i < 310:
			tr.bad()
		default:
			tr.add(float64(i), 230)
		}
	}
	lines := tr.lines()
	if len(lines) != 3 || tr.gaps != 2 {
		t.Fatalf("%d lines and %d gaps, want 3 and 2", len(lines), tr.gaps)
	}
	if end, begin := lines[0][len(lines[0])-1].t, lines[1][0].t; end != 99.5 || begin != 200.5 {
		t.Errorf("the first line ends at %v and the next begins at %v", end, begin)
	}
}

func TestSlowPointsAndBurstsAreJoined(t *testing.T) {
	slow := newTrace(3600, Paper.Columns)
	for i := range 60 {
		slow.add(float64(60*i), 80)
	}
	burst := newTrace(100, Paper.Columns)
	at := 0.0
	for at < 100 {
		burst.add(at, 50)
		if at > 20 && at < 40 {
			at += 0.1
		} else {
			at++
		}
	}
	if len(slow.lines()) != 1 || len(burst.lines()) != 1 {
		t.Errorf("%d and %d lines, want one each", len(slow.lines()), len(burst.lines()))
	}
	if burst.shortest > 0.11 || slow.shortest != 60 {
		t.Errorf("shortest distances %v and %v", burst.shortest, slow.shortest)
	}
}

func TestReadingsOutOfOrderOrBeforeTheStartAreLeftOut(t *testing.T) {
	tr := newTrace(10, Paper.Columns)
	tr.add(-1, 1)
	tr.add(5, 2)
	tr.add(4, 3)
	if low, high, _ := tr.extent(); low != 2 || high != 2 || tr.n != 1 {
		t.Errorf("%d readings, %v..%v", tr.n, low, high)
	}
}
