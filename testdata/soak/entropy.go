package soak

import "math"

// Entropy returns the bits that one value of a column takes at the least, by
// the order-0 entropy of whatever is most regular of the values, their
// differences, the differences of those, and the misses of two smoothed
// guesses and of an adaptive linear one. It is what an ideal coder with these
// models would need, its tables not counted.
func Entropy(values []int64) float64 {
	best := math.Inf(1)
	for _, guess := range []func() func(int64) int64{level, last, line, smooth(0.25), smooth(0.125), adaptive} {
		miss, count := guess(), map[int64]int{}
		for _, v := range values {
			count[miss(v)]++
		}
		bits := 0.0
		for _, n := range count {
			p := float64(n) / float64(len(values))
			bits -= p * math.Log2(p)
		}
		best = min(best, bits)
	}
	return best
}

func level() func(int64) int64 { return func(v int64) int64 { return v } }

func last() func(int64) int64 {
	var before int64
	return func(v int64) int64 { d := v - before; before = v; return d }
}

func line() func(int64) int64 {
	first, second := last(), last()
	return func(v int64) int64 { return second(first(v)) }
}

func smooth(share float64) func() func(int64) int64 {
	return func() func(int64) int64 {
		mean, begun := 0.0, false
		return func(v int64) int64 {
			if !begun {
				mean, begun = float64(v), true
			}
			d := v - int64(math.Round(mean))
			mean += share * (float64(v) - mean)
			return d
		}
	}
}

// adaptive guesses from the last differences with weights that follow the
// misses (normalised least mean squares).
func adaptive() func(int64) int64 {
	const order = 8
	var past, weight [order]float64
	before := 0.0
	return func(v int64) int64 {
		guess, power := before, 1.0
		for i := range past {
			guess += weight[i] * past[i]
			power += past[i] * past[i]
		}
		d := float64(v) - guess
		for i := range past {
			weight[i] += 0.02 * d * past[i] / power
		}
		copy(past[1:], past[:order-1])
		past[0], before = float64(v)-before, float64(v)
		return int64(math.Round(d))
	}
}

// Floor returns the least bytes a sample takes in n seconds of readings, the
// instants of the two groups included.
func Floor(n int) float64 { return New().floor(n) }

// FloorLate is Floor of NewLate's readings: one lag more for each request.
func FloorLate(n int) float64 { return NewLate().floor(n) }

func (g *Generator) floor(n int) float64 {
	columns := map[string][]int64{}
	samples := 0
	for range n {
		for _, s := range g.Next() {
			columns[s.Group] = append(columns[s.Group], int64(s.At.Offset/1e6)%1000)
			samples += len(s.Samples)
			for i, x := range s.Samples {
				columns[string(x.Point)] = append(columns[string(x.Point)], int64(math.Round(x.Value*float64(perOf(s.Group, i)))))
				if g.lags != nil && i%request == 0 {
					name, lag := "lag of "+string(x.Point), x.Lag
					if i > 0 {
						lag -= s.Samples[i-1].Lag
					}
					columns[name] = append(columns[name], lag.Milliseconds())
				}
			}
		}
	}
	bits := 0.0
	for _, c := range columns {
		bits += Entropy(c) * float64(len(c))
	}
	return bits / 8 / float64(samples)
}

func perOf(group string, i int) int64 {
	if group == Meter {
		return meter[i].per
	}
	return adapter[i].per
}
