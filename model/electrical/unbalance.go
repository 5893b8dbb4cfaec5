package electrical

import "math"

// Unbalance returns the largest deviation from the mean over the mean, a
// ratio: the line voltage unbalance of NEMA MG 1 when a, b and c are
// line-to-line voltages. It returns NaN when the mean is not positive.
func Unbalance(a, b, c float64) float64 {
	mean := (a + b + c) / 3
	if !(mean > 0) {
		return math.NaN()
	}
	return max(math.Abs(a-mean), math.Abs(b-mean), math.Abs(c-mean)) / mean
}

// NegativeSequence returns u2 = |U2|/|U1|, a ratio, from three line-to-line
// magnitudes by the formula of IEC 61000-4-30, 5.7. Line-to-line voltages hold
// no zero sequence, so no angle is needed. Magnitudes that do not close to a
// triangle give 1; a mean that is not positive gives NaN.
func NegativeSequence(u12, u23, u31 float64) float64 {
	a, b, c := u12*u12, u23*u23, u31*u31
	sum := a + b + c
	if !(sum > 0) {
		return math.NaN()
	}
	beta := (a*a + b*b + c*c) / (sum * sum)
	// Balanced voltages cancel to about 1e-16 on either side of 1, and
	// magnitudes that form no triangle give a negative radicand.
	root := math.Sqrt(min(max(3-6*beta, 0), 1))
	return math.Sqrt((1 - root) / (1 + root))
}

// NegativeSequenceUncertainty returns by how much u2 may be wrong, a ratio,
// when each of the three channels is off by up to gain (a ratio, such as 0.005
// for 0.5 %). It tries every corner of the three errors.
func NegativeSequenceUncertainty(u12, u23, u31, gain float64) float64 {
	u2, worst := NegativeSequence(u12, u23, u31), 0.0
	for corner := range 8 {
		g := func(bit int) float64 { return 1 + gain*float64(2*(corner>>bit&1)-1) }
		worst = max(worst, math.Abs(NegativeSequence(u12*g(0), u23*g(1), u31*g(2))-u2))
	}
	return worst
}
