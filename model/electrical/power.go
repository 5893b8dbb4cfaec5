package electrical

import "math"

// Apparent returns the vector apparent power √(P²+Q²) in VA. For unlike phases
// it is less than the sum of the phases' V·I; IEEE 1459 knows both (from
// memory).
func Apparent(p, q float64) float64 { return math.Hypot(p, q) }

// Reactive returns the magnitude of the reactive power √(S²-P²) in var. The
// sign cannot be told from S and P, and harmonics count as reactive.
func Reactive(s, p float64) float64 { return math.Sqrt(max(s*s-p*p, 0)) }

// Factor returns the power factor P/S with the sign of P, NaN when S is not
// positive.
func Factor(p, s float64) float64 {
	if !(s > 0) {
		return math.NaN()
	}
	return p / s
}

// Effective returns the effective apparent power 3·Ve·Ie in VA of IEEE 1459
// with ρ = 1 (from memory), which sees what unbalance wastes: one phase alone at
// unity power factor has an effective power factor of 0.41.
func Effective(v, i [3]float64, neutral float64) float64 {
	ve := math.Sqrt((v[0]*v[0] + v[1]*v[1] + v[2]*v[2]) / 3)
	ie := math.Sqrt((i[0]*i[0] + i[1]*i[1] + i[2]*i[2] + neutral*neutral) / 3)
	return 3 * ve * ie
}

// VoltsPerHertz returns (v/f)/(ratedV/ratedF), a ratio. It is NaN when a
// frequency or the rated voltage is not positive.
func VoltsPerHertz(v, f, ratedV, ratedF float64) float64 {
	if !(f > 0 && ratedV > 0 && ratedF > 0) {
		return math.NaN()
	}
	return v / f * ratedF / ratedV
}
