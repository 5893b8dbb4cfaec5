package model

import "math"

// Resolution is the exact relation between a register's integer k and the
// value in canonical units: value = (k*Num + Off)/Den. The zero value means
// that the value is not a multiple of anything (a full-mantissa float).
//
// A fraction and not a factor: dividing by an integer is correctly rounded,
// multiplying by 0.1 is not, and the store relies on getting k back.
type Resolution struct {
	Num int64 // canonical units times Den for one count; 0 means no resolution
	Den int64 // divisor; positive when Num is not 0
	Off int64 // added after Num, in units of 1/Den; usually 0
	// Single says that the register is a 32-bit float: the value is rounded
	// to float32 before Num and Den apply.
	Single bool
}

// Known reports whether values are multiples of a resolution.
func (r Resolution) Known() bool { return r.Num != 0 && r.Den > 0 }

// Value returns the value of k counts in canonical units.
func (r Resolution) Value(k int64) float64 {
	// The conversions keep the compiler from fusing the multiply and add,
	// which would round differently on arm64.
	return float64(float64(k)*float64(r.Num)+float64(r.Off)) / float64(r.Den)
}

// Counts returns the k nearest to v, and whether Value(k) is v bit for bit.
func (r Resolution) Counts(v float64) (k int64, exact bool) {
	if !r.Known() {
		return 0, false
	}
	x := math.Round(float64(v*float64(r.Den)-float64(r.Off)) / float64(r.Num))
	if !(math.Abs(x) < 1<<62) {
		return 0, false
	}
	k = int64(x)
	return k, math.Float64bits(r.Value(k)) == math.Float64bits(v)
}

// Step returns the size of one count in canonical units, 0 when unknown.
func (r Resolution) Step() float64 {
	if !r.Known() {
		return 0
	}
	return float64(r.Num) / float64(r.Den)
}

func (r Resolution) reduced() Resolution {
	if !r.Known() {
		return r
	}
	g := gcd(gcd(r.Num, r.Den), r.Off)
	r.Num, r.Den, r.Off = r.Num/g, r.Den/g, r.Off/g
	return r
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	if a < 0 {
		return -a
	}
	return a
}
