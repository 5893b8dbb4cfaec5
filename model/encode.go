package model

import "math"

// Encode is the inverse of Decode, for the simulated slaves: it writes a value
// in canonical units into registers in frame order. A value that the type
// cannot hold is clamped to its ends.
func (r Register) Encode(v float64, exponent int16) []uint16 {
	raw := r.pack(v, exponent)
	if r.Invert && r.Type == BitValue {
		raw ^= 1
	}
	words := make([]uint16, r.Type.Words())
	low := r.Order == LowWordFirst || r.Order == LowWordFirstBytesSwapped
	swap := r.Order == HighWordFirstBytesSwapped || r.Order == LowWordFirstBytesSwapped
	for i := range words {
		at := len(words) - 1 - i
		if low {
			at = i
		}
		w := uint16(raw >> (16 * i))
		if swap {
			w = w<<8 | w>>8
		}
		words[at] = w
	}
	return words
}

func (r Register) pack(v float64, exponent int16) uint64 {
	res := r.Resolution
	switch r.Type {
	case BitValue:
		if v != 0 {
			return 1 << r.Bit
		}
		return 0
	case Float32, Float64:
		if res.Num != 0 && res.Den > 0 {
			v = (v*float64(res.Den) - float64(res.Off)) / float64(res.Num)
		}
		if r.Type == Float32 {
			return uint64(math.Float32bits(float32(v)))
		}
		return math.Float64bits(v)
	}
	res = r.resolution(exponent)
	x := math.Round((v*float64(res.Den) - float64(res.Off)) / float64(res.Num))
	lo, hi := r.limits()
	x = min(max(x, lo), hi)
	if x >= 1<<63 {
		return math.MaxInt64
	}
	return uint64(int64(x))
}

// limits returns the counts the integer type can hold.
func (r Register) limits() (lo, hi float64) {
	switch r.Type {
	case Int16:
		return math.MinInt16, math.MaxInt16
	case Uint32:
		return 0, math.MaxUint32
	case Int32:
		return math.MinInt32, math.MaxInt32
	case Uint64:
		return 0, math.MaxInt64
	case Int64:
		return math.MinInt64, math.MaxInt64
	}
	return 0, math.MaxUint16
}
