package performance

import (
	"cmp"
	"math"
	"slices"
	"sort"
)

// reading is one value of one point; t in s since the record began.
type timedValue struct{ t, v float64 }

// track keeps the newest readings of one point in the order of time.
type track struct{ r []timedValue }

// trackLength readings are kept at least: 100 s at ten a second.
const trackLength = 1024

func (k *track) add(t, v float64) {
	if n := len(k.r); n > 0 && t <= k.r[n-1].t {
		return
	}
	if len(k.r) == 2*trackLength {
		k.r = k.r[:copy(k.r, k.r[trackLength:])]
	}
	k.r = append(k.r, timedValue{t, v})
}

// between returns the readings with from <= t <= to. The slice is only good
// until the next add.
func (k *track) between(from, to float64) []timedValue {
	if k == nil {
		return nil
	}
	lo := sort.Search(len(k.r), func(i int) bool { return k.r[i].t >= from })
	hi := sort.Search(len(k.r), func(i int) bool { return k.r[i].t > to })
	return k.r[lo:max(lo, hi)]
}

func mean(r []timedValue) float64 {
	if len(r) == 0 {
		return math.NaN()
	}
	sum := 0.0
	for _, x := range r {
		sum += x.v
	}
	return sum / float64(len(r))
}

// settledAt is the level of steady readings: their mean, or their median where they
// come so slowly that one of them may show a load that came and went.
func settledAt(r []timedValue) float64 {
	if usual, _ := spacing(r); usual <= slow {
		return mean(r)
	}
	sorted := slices.SortedFunc(slices.Values(r),
		func(a, b timedValue) int { return cmp.Compare(a.v, b.v) })
	return (sorted[(len(r)-1)/2].v + sorted[len(r)/2].v) / 2
}

func extent(r []timedValue) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, x := range r {
		lo, hi = min(lo, x.v), max(hi, x.v)
	}
	return lo, hi
}

// spacing returns the mean and the largest distance between readings, in s; 0
// for fewer than two.
func spacing(r []timedValue) (usual, widest float64) {
	for i := 1; i < len(r); i++ {
		widest = max(widest, r[i].t-r[i-1].t)
	}
	if len(r) > 1 {
		usual = (r[len(r)-1].t - r[0].t) / float64(len(r)-1)
	}
	return usual, widest
}
