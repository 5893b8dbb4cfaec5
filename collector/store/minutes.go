package store

import (
	"math"
	"slices"
	"time"

	"tickover/model"
)

// MinuteColumn is what one point did in each of some minutes. Where Count is
// 0 the other figures mean nothing.
type MinuteColumn struct {
	Mean     []float64 // weighted by how long each value held; to a tenth of the register's resolution
	Min, Max []float64
	Count    []int64 // good samples
	Covered  []int64 // how long good samples held, tenths of a second
}

func newMinuteColumn(n int) MinuteColumn {
	return MinuteColumn{make([]float64, n), make([]float64, n), make([]float64, n), make([]int64, n), make([]int64, n)}
}

// minutes are some minutes of one group in one boot.
type minutes struct {
	schema *schema
	boot   uint32
	at     []int64 // whole minutes since boot, rising
	cols   []MinuteColumn
}

// summarise works out the minutes of some rows. A value holds until the next
// row, but over a gap for one usual interval only.
func summarise(r *rows) *minutes { return weighed(r, holds(r.at)) }

// weighed works out the minutes of rows that stand for so long each.
func weighed(r *rows, held []int64) *minutes {
	m := &minutes{schema: r.schema, boot: r.boot}
	var begins []int
	for i, at := range r.at {
		if minute := floorDiv(at, int64(time.Minute)); len(m.at) == 0 || m.at[len(m.at)-1] != minute {
			m.at, begins = append(m.at, minute), append(begins, i)
		}
	}
	begins = append(begins, len(r.at))
	for c := range r.values {
		col := newMinuteColumn(len(m.at))
		for i := range m.at {
			col.sum(i, r, c, begins[i], begins[i+1], held)
		}
		m.cols = append(m.cols, col)
	}
	return m
}

// holds returns for how long each row stands, ns. Before a gap that is as
// long as the row before it stood.
func holds(at []int64) []int64 {
	held := make([]int64, len(at))
	if len(at) == 1 {
		held[0] = int64(time.Second)
		return held
	}
	for i := range held[1:] {
		held[i] = at[i+1] - at[i]
	}
	before := middle(held[:len(held)-1])
	longest := 3 * before
	for i, h := range held {
		if h > longest || i == len(held)-1 {
			held[i] = before
		}
		before = held[i]
	}
	return held
}

// sum fills minute i of a column from rows n to m.
func (c *MinuteColumn) sum(i int, r *rows, col, n, m int, held []int64) {
	total := int64(0)
	for row := n; row < m; row++ {
		if v := r.values[col][row]; !r.counts(col, row, v) {
			continue
		} else if c.Count[i]++; c.Count[i] == 1 {
			c.Min[i], c.Max[i] = v, v
		} else {
			c.Min[i], c.Max[i] = min(c.Min[i], v), max(c.Max[i], v)
		}
		total += held[row]
	}
	if c.Count[i] == 0 {
		return
	}
	mean := 0.0
	for row := n; row < m; row++ {
		if v := r.values[col][row]; r.counts(col, row, v) {
			// Rounded by themselves, so that no compiler fuses them and every
			// machine writes the same bytes.
			mean += float64(v * float64(float64(held[row])/float64(max(total, 1))))
		}
	}
	c.Mean[i] = min(max(mean, c.Min[i]), c.Max[i])
	c.Covered[i] = max((total+int64(50*time.Millisecond))/int64(100*time.Millisecond), 1)
}

// counts reports whether a value goes into the figures of its minute.
func (r *rows) counts(col, row int, v float64) bool {
	good := r.states[col] == nil || model.Quality(r.states[col][row]>>8) == model.Good
	return good && !math.IsNaN(v) && !math.IsInf(v, 0)
}

// join appends later minutes; the last here and the first there may be parts
// of one.
func (m *minutes) join(later *minutes) {
	from := 0
	if n := len(m.at) - 1; n >= 0 && len(later.at) > 0 && m.at[n] == later.at[0] {
		for c := range m.cols {
			m.cols[c].merge(n, &later.cols[c])
		}
		from = 1
	}
	m.at = append(m.at, later.at[from:]...)
	for c := range m.cols {
		a, b := &m.cols[c], &later.cols[c]
		if a.Count == nil {
			continue // not asked for
		}
		a.Mean, a.Min, a.Max = append(a.Mean, b.Mean[from:]...), append(a.Min, b.Min[from:]...), append(a.Max, b.Max[from:]...)
		a.Count, a.Covered = append(a.Count, b.Count[from:]...), append(a.Covered, b.Covered[from:]...)
	}
}

// merge takes the first minute of another column into minute n.
func (c *MinuteColumn) merge(n int, o *MinuteColumn) {
	switch {
	case c.Count == nil || o.Count[0] == 0:
		return
	case c.Count[n] == 0:
		c.Mean[n], c.Min[n], c.Max[n] = o.Mean[0], o.Min[0], o.Max[0]
	default:
		share := float64(o.Covered[0]) / float64(c.Covered[n]+o.Covered[0])
		c.Mean[n] = float64(c.Mean[n]*float64(1-share)) + float64(o.Mean[0]*share)
		c.Min[n], c.Max[n] = min(c.Min[n], o.Min[0]), max(c.Max[n], o.Max[0])
	}
	c.Count[n] += o.Count[0]
	c.Covered[n] += o.Covered[0]
}

// slice returns minutes n to m.
func (m *minutes) slice(n, to int) *minutes {
	out := &minutes{schema: m.schema, boot: m.boot, at: m.at[n:to], cols: slices.Clone(m.cols)}
	for i, c := range out.cols {
		if c.Count != nil {
			out.cols[i] = c.slice(n, to)
		}
	}
	return out
}

func (c *MinuteColumn) slice(n, to int) MinuteColumn {
	return MinuteColumn{c.Mean[n:to], c.Min[n:to], c.Max[n:to], c.Count[n:to], c.Covered[n:to]}
}
