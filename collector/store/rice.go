package store

import (
	"encoding/binary"
	"math/bits"
)

// riceBlock is how many residuals share one Rice parameter, riceEscape how
// many ones announce a residual written out in full.
const (
	riceBlock  = 64
	riceEscape = 20
)

// bitWriter writes bits, most significant first.
type bitWriter struct {
	buf  []byte
	acc  uint64
	held uint
}

func (w *bitWriter) put(v uint64, n uint) {
	for n > 32 {
		n -= 32
		w.put32(v>>n&0xffffffff, 32)
	}
	w.put32(v&(1<<n-1), n)
}

func (w *bitWriter) put32(v uint64, n uint) {
	w.acc = w.acc<<n | v
	w.held += n
	for w.held >= 8 {
		w.held -= 8
		w.buf = append(w.buf, byte(w.acc>>w.held))
	}
}

func (w *bitWriter) finish() []byte {
	if w.held > 0 {
		w.put32(0, 8-w.held)
	}
	return w.buf
}

// bitReader reads what bitWriter wrote.
type bitReader struct {
	buf  []byte
	acc  uint64 // the next bits, left-aligned
	held uint
}

// fill makes sure of 56 bits, or of all that is left. It never holds 64.
func (r *bitReader) fill() {
	for r.held < 56 && len(r.buf) > 0 {
		r.acc |= uint64(r.buf[0]) << (56 - r.held)
		r.buf, r.held = r.buf[1:], r.held+8
	}
}

// take reads n bits, at most 56; false past the end.
func (r *bitReader) take(n uint) (uint64, bool) {
	if r.held < n {
		r.fill()
		if r.held < n {
			return 0, false
		}
	}
	v := r.acc >> (64 - n)
	r.acc <<= n
	r.held -= n
	return v, true
}

// block reads one block of misses: the parameter, then each miss. false when
// the bytes end before.
func (r *bitReader) block(out []int64) bool {
	p, ok := r.take(5)
	if !ok {
		return false
	}
	for i := 0; i < len(out); i++ {
		if i += r.quick(out[i:], uint(p)); i == len(out) {
			break
		}
		u, ok := r.takeRice(uint(p))
		if !ok {
			return false
		}
		out[i] = unzigzag(u)
	}
	return true
}

// quick reads misses while eight bytes are left to refill from and none is
// written out in full, and returns how many. A miss takes at most 51 bits.
func (r *bitReader) quick(out []int64, k uint) int {
	buf, acc, held, at := r.buf, r.acc, r.held, 0
	for at < len(out) && len(buf) >= 8 {
		acc |= binary.BigEndian.Uint64(buf) >> (held & 63)
		buf = buf[(63-held)>>3&7:]
		held |= 56
		from := at
		for at < len(out) { // as many as were refilled: each waits for the one before only by acc
			q := uint(bits.LeadingZeros64(^acc))
			n := q + 1 + k
			if q >= riceEscape || n >= held {
				break
			}
			u := uint64(q)<<(k&63) | acc<<((q+1)&63)>>((64-k)&63)&(1<<(k&63)-1)
			acc <<= n & 63
			held -= n
			out[at] = unzigzag(u)
			at++
		}
		if at == from {
			break
		}
	}
	// Bits beyond held are of the next byte and must read as none.
	r.buf, r.acc, r.held = buf, acc&^(1<<((64-held)&63)-1), held
	return at
}

func zigzag(v int64) uint64   { return uint64(v<<1) ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// riceCost returns the bits that residuals take with parameter k.
func riceCost(residuals []uint64, k uint) int {
	cost := 5
	for _, u := range residuals {
		if q := u >> k; q < riceEscape {
			cost += int(q) + 1 + int(k)
		} else {
			cost += riceEscape + 6 + max(bits.Len64(u), 1)
		}
	}
	return cost
}

// riceParameter finds a good parameter: the logarithm of the mean, or a
// neighbour when that is cheaper.
func riceParameter(residuals []uint64) (k uint, cost int) {
	var sum uint64
	for _, u := range residuals {
		sum += min(u, 1<<40)
	}
	guess := uint(max(bits.Len64(sum/uint64(len(residuals)))-1, 0))
	k, cost = min(guess, 31), riceCost(residuals, min(guess, 31))
	for _, near := range []uint{guess - 1, guess + 1} {
		if near > 31 {
			continue
		}
		if c := riceCost(residuals, near); c < cost {
			k, cost = near, c
		}
	}
	return k, cost
}

// putRice appends one block of residuals.
func (w *bitWriter) putRice(residuals []uint64) {
	k, _ := riceParameter(residuals)
	w.put(uint64(k), 5)
	for _, u := range residuals {
		q := u >> k
		if q >= riceEscape {
			n := uint(max(bits.Len64(u), 1))
			w.put(1<<riceEscape-1, riceEscape)
			w.put(uint64(n-1), 6)
			w.put(u, n)
			continue
		}
		w.put((1<<q-1)<<1, uint(q)+1)
		w.put(u, k)
	}
}

// takeRice reads one residual with parameter k; false past the end.
func (r *bitReader) takeRice(k uint) (uint64, bool) {
	r.fill()
	q := uint(bits.LeadingZeros64(^r.acc))
	if q < riceEscape {
		_, ok1 := r.take(q + 1)
		low, ok2 := r.take(k)
		return uint64(q)<<k | low, ok1 && ok2
	}
	_, ok1 := r.take(riceEscape)
	length, ok2 := r.take(6)
	n := uint(length) + 1
	high, ok3 := r.take(n - min(n, 32))
	low, ok4 := r.take(min(n, 32))
	return high<<32 | low, ok1 && ok2 && ok3 && ok4
}
