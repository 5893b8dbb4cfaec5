package performance

import (
	"fmt"
	"math"

	"tickover/model"
)

// jump is when a step happened: after the reading at before and not later
// than the one at first. end is where the look at it ends.
type jump struct{ before, first, end float64 }

// when is the text of how long after the step a reading came.
func (j jump) when(t float64) string {
	return fmt.Sprintf("seen %s to %s s after the step", short(max(0, t-j.first)),
		short(t-j.before))
}

// passing is how long after a step, in s, an extreme still counts as passing
// and not as a drift of the new steady state.
const passing = 15.0

// peak finds how far readings went from level in one direction (sign -1 or
// +1), as a magnitude, and when.
func peak(r []timedValue, level, sign float64) (size float64, at int) {
	size, at = math.Inf(-1), -1
	for i, x := range r {
		if d := sign * (x.v - level); d > size {
			size, at = d, i
		}
	}
	return size, at
}

// carriedOver is how many readings after a step may still hold what was before it: a
// meter averages, and power and voltage may come by different answers.
const carriedOver = 2

// answering leaves out of readings that begin with the last one before a step what
// they show from before it: that one, and those after it that come back from there.
func answering(r []timedValue, j jump, sign float64) []timedValue {
	if len(r) == 0 || r[0].t > j.before {
		return r
	}
	n := 1
	for n < len(r) && n <= carriedOver && sign*(r[n].v-r[0].v) <= 0 {
		n++
	}
	return r[n:]
}

// limb is how many readings must lie between the step and nine tenths of the
// peak for the curve between readings to be bounded by its neighbours.
const limb = 4

// quick is the distance of readings in s beyond which nothing bounds a peak
// between them: a small set may dip and be back within half a second.
const quick = 0.25

// hidden returns how far from level the truth may have gone between readings
// whose peak is size, +Inf when they are too sparse. It assumes that each
// reading is at most an average over the time since the one before.
func hidden(r []timedValue, level, sign, size float64) float64 {
	reach := 0
	for reach < len(r) && sign*(r[reach].v-level) < 0.9*size {
		reach++
	}
	if usual, _ := spacing(r); reach <= limb || usual > quick {
		return math.Inf(1)
	}
	most := size
	for i := 1; i < len(r); i++ {
		// Between two readings the curve goes no further beyond the outer
		// one than it moved from one to the other.
		outer := max(sign*(r[i].v-level), sign*(r[i-1].v-level))
		most = max(most, outer+math.Abs(r[i].v-r[i-1].v))
	}
	return most
}

// excursion is a peak as a measure in percent of rated. smooth means that the
// quantity cannot jump (a shaft has inertia, a voltage has not).
func excursion(r []timedValue, j jump, level, rated, sign float64, smooth bool) measure {
	in := within(r, j.before, min(j.end, j.first+passing))
	if len(in) < 2 || math.IsNaN(level) {
		return unknown("no readings around the step")
	}
	usual, widest := spacing(within(in, j.before, j.first+10))
	seen := answering(in, j, sign)
	if len(seen) == 0 {
		return unknown("no readings after the step")
	}
	size, at := peak(seen, level, sign)
	size = max(size, 0)
	unc := voltageStep
	if smooth {
		unc = 100 * frequencyStep / rated
	}
	m := measure{known: true, value: sign*100*size/rated + 0, lo: max(0, 100*size/rated-unc),
		unc: unc, bound: model.AtLeast, seen: seconds(usual)}
	m.note = j.when(seen[at].t)
	if widest > gap(usual) {
		return m.open(fmt.Sprintf("no readings for %s s around the step", short(widest)))
	}
	most := math.Inf(1)
	if smooth {
		most = hidden(in, level, sign, size)
	}
	m.hi = 100*most/rated + unc
	m.why = fmt.Sprintf("readings every %s s may have missed a larger peak", short(usual))
	return m
}

// gap is the distance between readings beyond which data are missing.
func gap(usual float64) float64 { return max(3*usual, 0.5) }

// within returns the readings with from <= t <= to of an ordered slice.
func within(r []timedValue, from, to float64) []timedValue {
	return (&track{r}).between(from, to)
}

// recovery is how long after the step the readings were inside level±half
// for good. The true instant lies after the last reading outside, less the
// time one reading may average over, and before the third of the readings
// after the last that leaves room for a hidden way out: with the first, an
// excursion between two inside readings or one averaged away would be missed.
func recovery(r []timedValue, j jump, level, half float64) measure {
	in := within(r, j.before, j.end)
	if len(in) < 5 || math.IsNaN(level) {
		return unknown("too few readings after the step")
	}
	usual, widest := spacing(within(in, j.before, j.first+15))
	outside, doubt := lastOutside(in, level, half)
	m := measure{known: true, bound: model.Interval, seen: seconds(usual)}
	first := outside
	if usual > slow {
		first = outsideAtFirst(in, level, half)
	}
	if first > 0 {
		m.lo = max(0, in[first-1].t-j.first)
	}
	m.value = max(m.lo, in[doubt].t-j.before)
	switch {
	case doubt+3 >= len(in) || in[len(in)-1].t-in[doubt].t < 2:
		m.bound = model.AtLeast
		return m.open("it had not recovered before the next change")
	case widest > gap(usual):
		return m.open(fmt.Sprintf("no readings for %s s after the step", short(widest)))
	case first < outside:
		m.bound = model.AtLeast
		return m.open(fmt.Sprintf("it left the band again; readings every %s s miss short loads",
			short(usual)))
	}
	m.hi = in[doubt+3].t - j.before + slack(usual)
	m.value = (m.lo + m.hi) / 2
	if outside == 0 {
		m.note = "no reading was outside the band"
	}
	return m
}

// outsideAtFirst returns the index of the last reading outside the band before any
// was inside it.
func outsideAtFirst(r []timedValue, level, half float64) (outside int) {
	for outside+1 < len(r) && math.Abs(r[outside+1].v-level) > half {
		outside++
	}
	return outside
}

// slack is added to a recovery's upper bound when the readings came slower
// than the set may swing: a swing as long as the distance of the readings
// looks like none. One and a half distances held for 10,000 random steps.
func slack(usual float64) float64 {
	if usual > 2*quick {
		return 1.5 * usual
	}
	return 0
}

// lastOutside returns the index of the last reading outside the band and of the
// last after which the curve may still have been outside before the next
// reading: it moved so fast that its neighbours leave room for it. 0, the
// reading before the step, means none.
func lastOutside(r []timedValue, level, half float64) (outside, doubt int) {
	for i := 1; i < len(r); i++ {
		off := math.Abs(r[i].v - level)
		if off > half {
			outside, doubt = i, i
		}
		if move := math.Abs(r[i].v - r[i-1].v); i > 1 &&
			max(off, math.Abs(r[i-1].v-level))+move > half {
			doubt = max(doubt, i-1)
		}
	}
	return outside, doubt
}

// worse returns the worse of two measures.
func worse(a, b measure) measure {
	switch {
	case !a.known:
		return b
	case !b.known, a.lo > b.lo, a.lo == b.lo && a.hi >= b.hi:
		if b.known && b.hi > a.hi {
			a.hi, a.why = b.hi, b.why
		}
		return a
	}
	if a.hi > b.hi {
		b.hi, b.why = a.hi, a.why
	}
	return b
}
