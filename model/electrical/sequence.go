package electrical

import "math"

// neutralEstimate returns the neutral current in A that three phase currents give when
// their power factors are alike, so that they are 120° apart. It is an
// estimate: 20/20/20 A at 0°, 30° and 30° lag really drive 10.4 A.
func neutralEstimate(a, b, c float64) float64 {
	// Rounding can leave a hair below zero for equal currents.
	return math.Sqrt(max(a*a+b*b+c*c-a*b-b*c-c*a, 0))
}

// Sequence returns the magnitudes of the positive, negative and zero sequence
// in A of three currents taken to be 120° apart (Fortescue). An estimate, like
// neutralEstimate; negative and zero sequence are then alike.
func Sequence(a, b, c float64) (positive, negative, zero float64) {
	n := neutralEstimate(a, b, c) / 3
	return (a + b + c) / 3, n, n
}

// SequencePQ returns the sequence magnitudes in A from the active and reactive
// power of each phase (W, var) and its line-to-neutral voltage (V): the true
// angle of each current is then known against its own voltage, and only the
// voltages are taken to be 120° apart. It returns NaN when a voltage is not
// positive.
func SequencePQ(p, q, v [3]float64) (positive, negative, zero float64) {
	var sum [3]complex128 // zero, positive, negative
	for i := range 3 {
		if !(v[i] > 0) {
			return math.NaN(), math.NaN(), math.NaN()
		}
		current := complex(p[i]/v[i], -q[i]/v[i]) * turn(-i)
		sum[0] += current
		sum[1] += current * turn(i)
		sum[2] += current * turn(2*i)
	}
	magnitude := func(z complex128) float64 { return math.Hypot(real(z), imag(z)) / 3 }
	return magnitude(sum[1]), magnitude(sum[2]), magnitude(sum[0])
}

// turn returns the unit vector at n times 120°.
func turn(n int) complex128 {
	s, c := math.Sincos(2 * math.Pi / 3 * float64(n))
	return complex(c, s)
}

// Limits for negative-sequence current over rated current.
const (
	// NegativeLimitIEC is the continuous I2/IN of salient-pole generators,
	// indirectly cooled, in IEC 60034-1 (from memory).
	NegativeLimitIEC = 0.08
	// NegativeLimitANSI is the continuous I2/IN of salient-pole generators with
	// a connected damper winding in ANSI/IEEE C50.12.
	NegativeLimitANSI = 0.10
	// NegativeHeatIEC is (I2/IN)²·t in s of the same machines in IEC 60034-1
	// (from memory).
	NegativeHeatIEC = 20.0
)

// SinglePhaseLoad returns the current in A that one phase alone may carry for
// a limit of I2/IN: a load I on one phase has I/3 of negative sequence.
func SinglePhaseLoad(rated, limit float64) float64 { return 3 * limit * rated }
