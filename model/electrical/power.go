package electrical

import "math"

// vectorApparent returns the vector apparent power √(P²+Q²) in VA. For unlike phases
// it is less than the sum of the phases' V·I; IEEE 1459 knows both (from
// memory).
func vectorApparent(p, q float64) float64 { return math.Hypot(p, q) }

// powerFactor returns the power factor P/S with the sign of P, NaN when S is not
// positive.
func powerFactor(p, s float64) float64 {
	if !(s > 0) {
		return math.NaN()
	}
	return p / s
}

// voltsPerHertz returns (v/f)/(ratedV/ratedF), a ratio. It is NaN when a
// frequency or the rated voltage is not positive.
func voltsPerHertz(v, f, ratedV, ratedF float64) float64 {
	if !(f > 0 && ratedV > 0 && ratedF > 0) {
		return math.NaN()
	}
	return v / f * ratedF / ratedV
}
