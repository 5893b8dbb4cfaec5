package performance

import (
	"fmt"
	"math"

	"tickover/model"
)

// jump is when a step happened: after the reading at before and not later
// than the one at first. end is where the look at it ends.
type jump struct{ before, first, end float64 }

// peak finds how far readings went from level in one direction (sign -1 or
// +1), as a magnitude, and when.
func peak(r []reading, level, sign float64) (size float64, at int) {
	size, at = math.Inf(-1), -1
	for i, x := range r {
		if d := sign * (x.v - level); d > size {
			size, at = d, i
		}
	}
	return size, at
}

// limb is how many readings must lie on the way from the step to the peak for
// the curve between readings to be bounded by its neighbours.
const limb = 4

// hidden returns by how much the truth may have gone beyond the peak at index
// at, +Inf when the readings are too sparse to say. It trusts that each
// reading is at most an average over the time since the one before.
func hidden(r []reading, at int) float64 {
	if at < limb || at+1 >= len(r) {
		return math.Inf(1)
	}
	return max(math.Abs(r[at].v-r[at-1].v), math.Abs(r[at].v-r[at+1].v), math.Abs(r[at-1].v-r[at-2].v))
}

// excursion is a peak as a measure in percent of rated. smooth says that the
// quantity cannot jump (a shaft has inertia, a voltage has not).
func excursion(r []reading, j jump, level, rated, sign float64, smooth bool) measure {
	in := within(r, j.before, j.end)
	if len(in) < 2 || math.IsNaN(level) {
		return unknown("no readings around the step")
	}
	usual, widest := spacing(within(in, j.before, j.first+10))
	size, at := peak(in, level, sign)
	size = max(size, 0)
	m := measure{known: true, value: sign * 100 * size / rated, lo: 100 * size / rated, bound: model.AtLeast, seen: seconds(usual)}
	m.note = fmt.Sprintf("seen %s s after the step", short(math.Max(0, in[at].t-j.first)))
	if widest > gap(usual) {
		return m.open(fmt.Sprintf("no readings for %s s around the step", short(widest)))
	}
	more := math.Inf(1)
	if smooth {
		more = hidden(in, at)
	}
	m.hi = 100 * (size + more) / rated
	m.why = fmt.Sprintf("values came every %s s; between two of them it may have gone further", short(usual))
	return m
}

// gap is the distance between readings beyond which data are missing.
func gap(usual float64) float64 { return max(3*usual, 0.5) }

// within returns the readings with from <= t <= to of an ordered slice.
func within(r []reading, from, to float64) []reading {
	return (&track{r}).between(from, to)
}

// recovery says how long after the step the readings were inside level±half
// for good. The true instant lies after the last reading outside, less the
// time one reading may average over, and before the second of the readings
// after it: with the first, an excursion between two inside readings would be
// missed.
func recovery(r []reading, j jump, level, half float64) measure {
	in := within(r, j.before, j.end)
	if len(in) < 4 || math.IsNaN(level) {
		return unknown("too few readings after the step")
	}
	usual, widest := spacing(within(in, j.before, j.first+15))
	last := 0 // the reading before the step stands in when none was outside
	for i, x := range in {
		if math.Abs(x.v-level) > half && x.t > j.before {
			last = i
		}
	}
	m := measure{known: true, bound: model.Interval, seen: seconds(usual)}
	if last > 0 {
		m.lo = max(0, in[last-1].t-j.first)
	}
	m.value = max(m.lo, in[last].t-j.before)
	switch {
	case last+2 >= len(in) || in[len(in)-1].t-in[last].t < 2:
		m.bound = model.AtLeast
		return m.open("it had not come back for good before the next change")
	case widest > gap(usual):
		return m.open(fmt.Sprintf("no readings for %s s after the step", short(widest)))
	}
	m.hi = in[last+2].t - j.before
	m.value = (m.lo + m.hi) / 2
	if last == 0 {
		m.note = "no reading was outside the band"
	}
	return m
}

// worse returns the measure that speaks more against the set.
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
