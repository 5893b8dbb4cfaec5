package store

import (
	"math"
	"slices"
	"time"
)

// weights is for how long the good samples of a column may have stood in a
// minute, ns. Which rows were sealed together is not known.
type weights struct {
	least, most float64 // if no row was sealed alone, with a hold of a second
	less, more  float64 // by how much rows sealed alone can fall short, or exceed
	rounding    float64 // of each seal's time to tenths of a second
}

func (w *weights) add(o weights) {
	w.least, w.most = w.least+o.least, w.most+o.most
	w.less, w.more = w.less+o.less, w.more+o.more
	w.rounding += o.rounding
}

// open returns which share of a minute that is stored with so much time may
// have been weighted otherwise. That time limits how many rows were alone: each
// takes it away from what the others can hold.
func (w *weights) open(stored float64) float64 {
	less := min(w.less, max(w.most+w.more+w.rounding-stored, 0))
	more := min(w.more, max(stored-w.least+w.less+w.rounding, 0))
	return (w.most - w.least + less + more + w.rounding) / max(w.least, stored-w.rounding, 1)
}

func gapsOf(at []int64) []int64 {
	gaps := make([]int64, 0, len(at))
	for i := range len(at) - 1 {
		gaps = append(gaps, at[i+1]-at[i])
	}
	return gaps
}

// holdBounds returns between what holds gave each row, wherever in the block
// seals ended. Seals end every ten minutes at least. Rows sealed alone, which
// hold a second, are left to the caller.
func holdBounds(at []int64) (least, most []int64) {
	gaps := gapsOf(at)
	least, most = make([]int64, len(at)), make([]int64, len(at))
	for i := range least {
		least[i], most[i] = math.MaxInt64, math.MinInt64
	}
	for from := 0; from < len(gaps); {
		to := from
		for to < len(gaps) && gaps[to] < int64(window) {
			to++
		}
		if to > from {
			boundHolds(gaps[from:to], least[from:to+1], most[from:to+1])
		}
		from = to + 1
	}
	for i := range least {
		if least[i] > most[i] { // no seal can have had the row next to another
			least[i], most[i] = int64(time.Second), int64(time.Second)
		}
	}
	return least, most
}

// boundHolds widens the bounds of a run of rows by the gaps between them. A row
// that is not the last of a seal holds the gap after it, unless that is longer
// than three times the seal's middle gap. Otherwise it holds what the row before
// it holds, or the middle gap if it is the first of the seal.
func boundHolds(gaps, least, most []int64) {
	low, high := middleBounds(gaps)
	var from, to int64 // what the row before holds when it is not a seal's last
	for i, gap := range gaps {
		nowFrom, nowTo := gap, gap
		if gap > 3*low[i] {
			nowFrom, nowTo = low[i], high[i]
			if i > 0 {
				nowFrom, nowTo = min(nowFrom, from), max(nowTo, to)
			}
			if gap <= 3*high[i] {
				nowTo = max(nowTo, gap)
			}
		}
		for _, row := range []int{i, i + 1} { // the next row as a seal's last
			least[row], most[row] = min(least[row], nowFrom), max(most[row], nowTo)
		}
		from, to = nowFrom, nowTo
	}
}

// middleBounds returns for each gap between what the middle gap of a seal that
// has it lies: of every run of neighbouring gaps that it belongs to. The bounds
// are a little too wide, as gaps are counted by classes a quarter wide.
func middleBounds(gaps []int64) (low, high []int64) {
	least, most := slices.Min(gaps), slices.Max(gaps)
	low, high = slices.Repeat([]int64{least}, len(gaps)), slices.Repeat([]int64{most}, len(gaps))
	if most <= 3*least {
		return low, high // no gap is too long for any seal
	}
	clear(low)
	for from := least; from <= most; {
		next := from + from/4 + 1
		for i, n := range mostSurplus(gaps, func(gap int64) bool { return gap < next }) {
			if n > 0 && low[i] == 0 {
				low[i] = from
			}
		}
		for i, n := range mostSurplus(gaps, func(gap int64) bool { return gap >= from }) {
			if n >= 0 {
				high[i] = min(next-1, most)
			}
		}
		from = next
	}
	return low, high
}

// mostSurplus returns for each gap by how many, at most, the gaps that count
// outnumber the others in a run of neighbouring gaps that has it.
func mostSurplus(gaps []int64, counts func(int64) bool) []int {
	one := func(i int) int {
		if counts(gaps[i]) {
			return 1
		}
		return -1
	}
	best := make([]int, len(gaps))
	before, after := 0, 0
	for i := range gaps {
		before = max(before, 0) + one(i)
		best[i] = before
	}
	for i := len(gaps) - 1; i >= 0; i-- {
		best[i] += max(after, 0)
		after = max(after, 0) + one(i)
	}
	return best
}
