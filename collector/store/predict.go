package store

import (
	"encoding/binary"
	"errors"
	"slices"
)

// The predictors. Each guesses the next integer from those before it; only
// the miss is stored. All arithmetic wraps, so it is the same everywhere.
const (
	predictConstant = iota // every value is the base
	predictLevel           // the base, the column's middle
	predictLast            // the value before
	predictLine            // straight on through the two before
	predictQuarter         // smoothed, a quarter of each miss
	predictEighth          // smoothed, an eighth of each miss
	predictGrid            // the next mark of a grid of equal steps from the base
	predictors
)

// emaShift is how many fractional bits the smoothed predictors carry.
const emaShift = 4

var errColumn = errors.New("column damaged")

// predictor is the state that writer and reader share.
type predictor struct {
	kind       byte
	base, step int64
	last, rise int64
	smooth     int64
}

func newPredictor(kind byte, base, step int64) predictor {
	return predictor{kind: kind, base: base, step: step, last: base, smooth: base << emaShift}
}

func (p *predictor) guess() int64 {
	switch p.kind {
	case predictLast:
		return p.last
	case predictLine:
		return p.last + p.rise
	case predictQuarter, predictEighth:
		return (p.smooth + 1<<(emaShift-1)) >> emaShift
	case predictGrid:
		return p.base + (floorDiv(p.last-p.base+p.step/2, p.step)+1)*p.step
	}
	return p.base
}

func (p *predictor) see(v int64) {
	switch p.kind {
	case predictLast, predictGrid:
		p.last = v
	case predictLine:
		p.rise, p.last = v-p.last, v
	case predictQuarter:
		p.smooth += (v<<emaShift - p.smooth) >> 2
	case predictEighth:
		p.smooth += (v<<emaShift - p.smooth) >> 3
	}
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// packInts appends values by the predictor that makes them shortest. steps
// are nominal distances of a grid to try, none for values that have no grid.
func packInts(out []byte, values []int64, steps ...int64) []byte {
	if len(values) == 0 {
		return out
	}
	best, residuals := choose(values, steps)
	out = append(out, best.kind)
	out = binary.AppendVarint(out, best.base)
	if best.kind == predictConstant {
		return out
	}
	if best.kind == predictGrid {
		out = binary.AppendVarint(out, best.step)
	}
	w := bitWriter{buf: out}
	for block := range slices.Chunk(residuals, riceBlock) {
		w.putRice(block)
	}
	return w.finish()
}

// choose tries every predictor and returns the best with its misses.
func choose(values []int64, steps []int64) (predictor, []uint64) {
	best, bestCost := predictor{}, -1
	residuals, trial := make([]uint64, len(values)), make([]uint64, len(values))
	for _, p := range candidates(values, steps) {
		cost, run := 0, p
		for i, v := range values {
			trial[i] = zigzag(v - run.guess())
			run.see(v)
		}
		if p.kind != predictConstant {
			for block := range slices.Chunk(trial, riceBlock) {
				_, c := riceParameter(block)
				cost += c
			}
		}
		if bestCost < 0 || cost < bestCost {
			best, bestCost = p, cost
			residuals, trial = trial, residuals
		}
	}
	return best, residuals
}

func candidates(values, steps []int64) []predictor {
	first := values[0]
	if !slices.ContainsFunc(values, func(v int64) bool { return v != first }) {
		return []predictor{newPredictor(predictConstant, first, 0)}
	}
	list := []predictor{newPredictor(predictLevel, middle(values), 0)}
	for kind := byte(predictLast); kind < predictGrid; kind++ {
		list = append(list, newPredictor(kind, first, 0))
	}
	for _, step := range steps {
		if step > 0 {
			p := newPredictor(predictGrid, first, step)
			p.last = first - step
			list = append(list, p)
		}
	}
	return list
}

func middle(values []int64) int64 {
	sorted := slices.Sorted(slices.Values(values))
	return sorted[len(sorted)/2]
}

// unpackInts reads n values. It gives errColumn when the bytes cannot be
// what packInts wrote.
func unpackInts(in []byte, n int) ([]int64, error) {
	out := make([]int64, n)
	return out, readInts(in, out)
}

// readInts fills out likewise.
func readInts(in []byte, out []int64) error {
	if len(out) == 0 {
		return nil
	}
	p, rest, err := readPredictor(in)
	if err != nil {
		return err
	}
	if p.kind == predictConstant {
		for i := range out {
			out[i] = p.base
		}
		return nil
	}
	r := bitReader{buf: rest}
	for block := range slices.Chunk(out, riceBlock) {
		if !r.block(block) {
			return errColumn
		}
		p.follow(block)
	}
	return nil
}

func readPredictor(in []byte) (predictor, []byte, error) {
	if len(in) == 0 || in[0] >= predictors {
		return predictor{}, nil, errColumn
	}
	kind := in[0]
	base, n := binary.Varint(in[1:])
	if n <= 0 {
		return predictor{}, nil, errColumn
	}
	in = in[1+n:]
	if kind != predictGrid {
		return newPredictor(kind, base, 0), in, nil
	}
	step, n := binary.Varint(in)
	if n <= 0 || step <= 0 {
		return predictor{}, nil, errColumn
	}
	p := newPredictor(kind, base, step)
	p.last = base - step
	return p, in[n:], nil
}

// follow turns misses into values. The loops are written out for the
// predictors that most columns choose, because this is what a reader waits for.
func (p *predictor) follow(misses []int64) {
	switch p.kind {
	case predictLevel:
		for i := range misses {
			misses[i] += p.base
		}
	case predictLast:
		last := p.last
		for i := range misses {
			last += misses[i]
			misses[i] = last
		}
		p.last = last
	case predictQuarter:
		p.smooth = followSmooth(misses, p.smooth, 2)
	case predictEighth:
		p.smooth = followSmooth(misses, p.smooth, 3)
	case predictGrid:
		p.followGrid(misses)
	default:
		for i := range misses {
			misses[i] += p.guess()
			p.see(misses[i])
		}
	}
}

// followGrid divides only where a value is nearer to another mark than to the
// one it was expected at.
func (p *predictor) followGrid(misses []int64) {
	mark, half := p.guess(), p.step/2
	for i, miss := range misses {
		p.last = miss + mark
		misses[i] = p.last
		if e := miss + half; e >= 0 && e < p.step {
			mark += p.step
		} else {
			mark = p.guess()
		}
	}
}

func followSmooth(misses []int64, smooth int64, shift uint) int64 {
	for i := range misses {
		v := misses[i] + (smooth+1<<(emaShift-1))>>emaShift
		smooth += (v<<emaShift - smooth) >> shift
		misses[i] = v
	}
	return smooth
}
