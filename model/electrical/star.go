package electrical

import "math"

// point is a place in the plane of the voltage phasors, in V.
type point struct{ x, y float64 }

func (p point) minus(q point) point { return point{p.x - q.x, p.y - q.y} }
func (p point) size() float64       { return math.Hypot(p.x, p.y) }

// ZeroSequence returns |U0| in V, how far the star point lies from the middle
// of the triangle of the line-to-line voltages. It lays the triangle out and
// finds the place whose distances to the corners fit the line-to-neutral
// magnitudes best (least squares).
//
// The textbook formula √((3·ΣU_LN² - ΣU_LL²)/9) takes the small difference of
// large sums: a gain mismatch of 0.2 % between the two kinds of channel reads as
// 15 V on a healthy 400 V set. Here a common mismatch changes nothing.
//
// It returns NaN when the line-to-line voltages form no triangle.
func ZeroSequence(ln, ll [3]float64) float64 {
	corners, ok := triangle(ll)
	if !ok {
		return math.NaN()
	}
	return starPoint(corners, ln).size()
}

// StarPoint returns where the star point lies in V from the middle of the
// triangle of the line-to-line voltages, with L2 seen from L1 along the real
// axis: two readings of one set may be subtracted. It reports false when the
// line-to-line voltages form no triangle.
func StarPoint(ln, ll [3]float64) (complex128, bool) {
	corners, ok := triangle(ll)
	if !ok {
		return 0, false
	}
	at := starPoint(corners, ln)
	return complex(at.x, at.y), true
}

// ZeroSequenceUncertainty returns by how much |U0| may be wrong, in V, when
// each of the six channels is off by up to gain (a ratio). It is the worst
// corner of the six errors, to first order. NaN where ZeroSequence is.
func ZeroSequenceUncertainty(ln, ll [3]float64, gain float64) float64 {
	corners, ok := triangle(ll)
	if !ok {
		return math.NaN()
	}
	at := starPoint(corners, ln)
	var pull [6]point
	for k := range pull {
		n, l := ln, ll
		if k < 3 {
			n[k] *= 1 + gain
		} else {
			l[k-3] *= 1 + gain
		}
		moved, ok := triangle(l)
		if !ok {
			return math.NaN()
		}
		pull[k] = starPoint(moved, n).minus(at)
	}
	return worstSum(pull)
}

// worstSum returns the largest size of ±a ±b ... ±f.
func worstSum(pull [6]point) float64 {
	worst := 0.0
	for corner := range 1 << len(pull) {
		var sum point
		for k, p := range pull {
			sign := float64(2*(corner>>k&1) - 1)
			sum.x, sum.y = sum.x+sign*p.x, sum.y+sign*p.y
		}
		worst = max(worst, sum.size())
	}
	return worst
}

// suspectAbove is the shift in V up to which no neutral is suspect (derived).
const suspectAbove = 5.0

// NeutralSuspect reports whether a shift of the star point shows a broken or
// missing neutral and not for plain unbalance: beyond 5 V and what the
// instruments may be wrong by, and more than twice what the negative sequence
// explains (derived). It sees a break only when the meter's neutral lead sits
// on the load side of it.
func NeutralSuspect(ln, ll [3]float64, gain float64) bool {
	zero := ZeroSequence(ln, ll) - ZeroSequenceUncertainty(ln, ll, gain)
	mean := (ln[0] + ln[1] + ln[2]) / 3
	u2 := NegativeSequence(ll[0], ll[1], ll[2])
	return zero > suspectAbove && zero > 2*u2*mean // false for NaN
}

// triangle lays out L1, L2 and L3 with their middle at the origin.
func triangle(ll [3]float64) (corners [3]point, ok bool) {
	a, b, c := ll[0], ll[1], ll[2] // L1-L2, L2-L3, L3-L1
	if !(a > 0 && b > 0 && c > 0) {
		return corners, false
	}
	x := (a*a + c*c - b*b) / (2 * a)
	height := c*c - x*x
	if height < 0.01*a*a { // flat: the star point would lie anywhere
		return corners, false
	}
	corners = [3]point{{0, 0}, {a, 0}, {x, math.Sqrt(height)}}
	middle := point{(a + x) / 3, corners[2].y / 3}
	for i := range corners {
		corners[i] = corners[i].minus(middle)
	}
	return corners, true
}

// starPoint fits a place to its distances from the corners by Gauss-Newton,
// starting from the solution of the linear equations that the differences of
// the squared distances give.
func starPoint(corners [3]point, dist [3]float64) point {
	n := linearStar(corners, dist)
	for range 8 {
		var a, b, c, gx, gy float64 // normal matrix [a b; b c] and right side
		for i, corner := range corners {
			d := n.minus(corner)
			r := d.size()
			if r == 0 {
				continue // on a corner the direction is undefined; the others hold it
			}
			ux, uy, miss := d.x/r, d.y/r, dist[i]-r
			a, b, c = a+ux*ux, b+ux*uy, c+uy*uy
			gx, gy = gx+ux*miss, gy+uy*miss
		}
		det := a*c - b*b
		if det < 1e-9 {
			return n
		}
		step := point{(c*gx - b*gy) / det, (a*gy - b*gx) / det}
		n = point{n.x + step.x, n.y + step.y}
		if step.size() < 1e-9 {
			return n
		}
	}
	return n
}

func linearStar(corners [3]point, dist [3]float64) point {
	row := func(i int) (x, y, rhs float64) {
		d := corners[i].minus(corners[0])
		sq := func(p point) float64 { return p.x*p.x + p.y*p.y }
		return 2 * d.x, 2 * d.y, dist[0]*dist[0] - dist[i]*dist[i] + sq(corners[i]) - sq(corners[0])
	}
	a, b, e := row(1)
	c, d, f := row(2)
	det := a*d - b*c
	return point{(e*d - b*f) / det, (a*f - e*c) / det}
}
