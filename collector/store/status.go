package store

import (
	"encoding/binary"
	"math"
)

// packStatus writes the runs of quality and cause, nil when every row is
// good. filled are the values to store: a failed read has the value 0, which
// would cost two jumps in a smooth column, so its place is taken by the
// neighbour and a flag says that it is 0.
func packStatus(values []float64, states []status) (runs []byte, filled []float64) {
	filled = values
	plain := true
	for _, s := range states {
		plain = plain && s == statusGood
	}
	if plain {
		return nil, values
	}
	filled = append([]float64(nil), values...)
	keys := make([]uint64, len(values))
	for i, s := range states {
		keys[i] = uint64(s)
		if s>>8 == 0 && math.Float64bits(values[i]) == 0 {
			keys[i] |= statusZero
		}
	}
	fillGaps(filled, keys)
	runs = []byte{}
	for at := 0; at < len(keys); {
		end := at + 1
		for end < len(keys) && keys[end] == keys[at] {
			end++
		}
		runs = binary.AppendUvarint(runs, keys[at])
		runs = binary.AppendUvarint(runs, uint64(end-at))
		at = end
	}
	return runs, filled
}

// fillGaps replaces the flagged values by the one before, the first ones by
// the first that stands.
func fillGaps(values []float64, keys []uint64) {
	var last float64
	for i, k := range keys {
		if k&statusZero == 0 {
			last = values[i]
			break
		}
	}
	for i, k := range keys {
		if k&statusZero != 0 {
			values[i] = last
		}
		last = values[i]
	}
}

// unpackStatus reads the runs of n rows.
func unpackStatus(in []byte, n int) (states []status, zero []bool, rest []byte, err error) {
	states, zero = make([]status, n), make([]bool, n)
	for at := 0; at < n; {
		key, a := binary.Uvarint(in)
		if a <= 0 {
			return nil, nil, nil, errColumn
		}
		length, b := binary.Uvarint(in[a:])
		if b <= 0 || length == 0 || length > uint64(n-at) || key >= statusZero<<1 {
			return nil, nil, nil, errColumn
		}
		in = in[a+b:]
		for range length {
			states[at], zero[at] = status(key), key&statusZero != 0
			at++
		}
	}
	return states, zero, in, nil
}
