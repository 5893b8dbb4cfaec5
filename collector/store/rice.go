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

// bitReader reads what bitWriter wrote. Reading past the end gives ones and
// sets short.
type bitReader struct {
	buf   []byte
	acc   uint64 // the next bits, left-aligned
	held  uint
	short bool
}

func (r *bitReader) fill() {
	if r.held == 0 && len(r.buf) >= 8 {
		r.acc = binary.BigEndian.Uint64(r.buf)
		r.buf, r.held = r.buf[8:], 64
		return
	}
	for r.held <= 56 && len(r.buf) > 0 {
		r.acc |= uint64(r.buf[0]) << (56 - r.held)
		r.buf, r.held = r.buf[1:], r.held+8
	}
}

// take reads n bits, at most 32.
func (r *bitReader) take(n uint) uint64 {
	if r.held < n {
		r.fill()
		if r.held < n {
			r.short, r.held = true, 0
			return 1<<n - 1
		}
	}
	v := r.acc >> (64 - n)
	r.acc <<= n
	r.held -= n
	return v
}

func (r *bitReader) takeWide(n uint) uint64 {
	if n <= 32 {
		return r.take(n)
	}
	high := r.take(n - 32)
	return high<<32 | r.take(32)
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

// takeRice reads one residual with parameter k.
func (r *bitReader) takeRice(k uint) uint64 {
	if r.held < 32 {
		r.fillMore()
	}
	q := uint(bits.LeadingZeros64(^r.acc))
	if q >= riceEscape {
		r.take(riceEscape)
		return r.takeWide(uint(r.take(6)) + 1)
	}
	r.take(q + 1)
	return uint64(q)<<k | r.take(k)
}

func (r *bitReader) fillMore() {
	for r.held <= 56 && len(r.buf) > 0 {
		r.acc |= uint64(r.buf[0]) << (56 - r.held)
		r.buf, r.held = r.buf[1:], r.held+8
	}
}
