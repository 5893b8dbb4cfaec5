package store

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/model"
)

// TestLagsRoundTrip packs columns of lags, some shared, some rising from one
// to the next and some any at all, and wants each back, whichever are asked for.
func TestLagsRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		rows := rapid.IntRange(1, 200).Draw(rt, "rows")
		column := rapid.SliceOfN(rapid.OneOf(rapid.Int32Range(0, 9), rapid.Int32Range(0, math.MaxInt32)), rows, rows)
		lags := make([][]int32, rapid.IntRange(1, 6).Draw(rt, "points"))
		points := []model.PointID{"a", "b", "c", "d", "e", "f"}[:len(lags)]
		for i := range lags {
			switch kind := rapid.IntRange(0, 3).Draw(rt, "kind"); {
			case kind == 0: // nil
			case kind == 1 && i > 0:
				lags[i] = lags[i-1]
			default:
				lags[i] = column.Draw(rt, "lags")
			}
		}
		packed := packLags(lags)
		wanted := rapid.SampledFrom(points).Draw(rt, "wanted")
		for _, want := range []func(model.PointID) bool{nil, func(p model.PointID) bool { return p == wanted }} {
			back, err := unpackLags(packed, rows, points, want)
			if err != nil {
				rt.Fatal(err)
			}
			for i, p := range points {
				for row := range rows {
					one := lags[i] != nil && (want == nil || want(p))
					got := back[i] != nil && back[i][row] != 0
					if one && lags[i][row] != 0 && (!got || back[i][row] != lags[i][row]) || !one && got {
						rt.Fatalf("point %s row %d: %v of %v", p, row, back[i], lags[i])
					}
				}
			}
		}
	})
}

// TestLagsOfARequestAreKeptOnce wants points of one request to share a column
// and those of the next to be told from it.
func TestLagsOfARequestAreKeptOnce(t *testing.T) {
	first, second := make([]int32, 600), make([]int32, 600)
	for i := range first {
		first[i] = 80 + int32(i*i%5)
		second[i] = first[i] + 60 + int32(i*i*i%3)
	}
	one := len(packLags([][]int32{first}))
	if many := len(packLags(slices.Repeat([][]int32{first}, 24))); many != one+23 {
		t.Errorf("24 points of one request take %d bytes, one takes %d", many, one)
	}
	alone := len(packLags([][]int32{second}))
	if both := len(packLags([][]int32{second, first})); both >= one+alone {
		t.Errorf("two requests in a row take %d bytes, %d and %d by themselves", both, one, alone)
	}
	if none := packLags([][]int32{nil, make([]int32, 600)}); none != nil {
		t.Errorf("no lags take %d bytes", len(none))
	}
}

func TestLagsAreRounded(t *testing.T) {
	for lag, want := range map[time.Duration]int32{-time.Second: 0, 499 * time.Microsecond: 0, 500 * time.Microsecond: 1,
		1499999: 1, 37 * time.Millisecond: 37, math.MaxInt64: math.MaxInt32} {
		if got := lagOf(model.Sample{Lag: lag}); got != want {
			t.Errorf("%s is kept as %d ms, not %d", lag, got, want)
		}
	}
}

// FuzzLags reads bytes that nobody wrote: an error, or lags that are packed
// and read back as they are.
func FuzzLags(f *testing.F) {
	f.Add([]byte{1, 1, 0, 3, lagsPlain, 0, 2}, 3)
	f.Add(packLags([][]int32{{1, 2, 3}, {4, 5, 7}}), 3)
	f.Add(packLags([][]int32{{1 << 30}, nil}), 1)
	points := []model.PointID{"a", "b"}
	f.Fuzz(func(t *testing.T, in []byte, rows int) {
		if rows < 1 || rows > 2000 {
			return
		}
		lags, err := unpackLags(in, rows, points, nil)
		if err != nil {
			return
		}
		again, err := unpackLags(packLags(lags), rows, points, nil)
		if err != nil {
			t.Fatal(err)
		}
		for i := range lags {
			if lags[i] != nil && !slices.Equal(lags[i], orElseZeros(again[i], rows)) {
				t.Fatalf("%v came back as %v", lags[i], again[i])
			}
		}
	})
}

func orElseZeros(lags []int32, rows int) []int32 {
	if lags == nil {
		return make([]int32, rows)
	}
	return lags
}
