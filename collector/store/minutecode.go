package store

import (
	"encoding/binary"
	"math"
	"slices"

	"tickover/model"
)

// The two ways a column of minutes is written.
const (
	minuteCounts = iota // least and greatest as counts, the mean as a tenth of one
	minutePlain         // three columns of values
)

// encode writes minutes: rows, the first minute, the length of each part, the parts.
func (m *minutes) encode() []byte {
	parts := [][]byte{packInts(nil, m.at, 1)}
	for i := range m.cols {
		parts = append(parts, m.cols[i].pack(m.schema.scales[i]))
	}
	b := binary.AppendUvarint(nil, uint64(len(m.at)))
	for _, p := range parts {
		b = binary.AppendUvarint(b, uint64(len(p)))
	}
	for _, p := range parts {
		b = append(b, p...)
	}
	return b
}

// decodeMinutes reads minutes; columns that want refuses stay empty.
func decodeMinutes(body []byte, s *schema, boot uint32, want func(model.PointID) bool) (*minutes, error) {
	c := cursor{b: body}
	n := c.uvarint()
	if c.bad || n == 0 || n > tierChunk {
		return nil, errBlock
	}
	lengths := make([]uint64, len(s.points)+1)
	for i := range lengths {
		lengths[i] = c.uvarint()
	}
	m := &minutes{schema: s, boot: boot, cols: make([]MinuteColumn, len(s.points))}
	var err error
	if m.at, err = unpackInts(c.take(lengths[0]), int(n)); err != nil {
		return nil, err
	}
	for i := 1; i < len(m.at); i++ {
		if m.at[i] <= m.at[i-1] {
			return nil, errBlock
		}
	}
	for i, p := range s.points {
		part := c.take(lengths[i+1])
		if c.bad {
			return nil, errBlock
		}
		if want != nil && !want(p) {
			continue
		}
		if m.cols[i], err = unpackMinutes(part, s.scales[i], int(n)); err != nil {
			return nil, err
		}
	}
	if len(c.b) != 0 {
		return nil, errBlock
	}
	return m, nil
}

// pack writes one point's minutes. Minutes without a value are given the one
// before, which costs next to nothing.
func (c *MinuteColumn) pack(s scale) []byte {
	filled := c.filled()
	if form, param, ok := s.minuteForm(&filled); ok {
		out := filled.packCounts(s, form, param)
		if back, err := unpackMinutes(out, s, len(c.Count)); err == nil && sameBits(back.Min, c.Min) && sameBits(back.Max, c.Max) {
			return out
		}
	}
	out := []byte{minutePlain}
	for _, values := range [][]float64{singles(filled.Mean), filled.Min, filled.Max} {
		out = appendText(out, string(packValues(s, values)))
	}
	return append(out, filled.packTallies()...)
}

func (c *MinuteColumn) packTallies() []byte {
	out := appendText(nil, string(packInts(nil, c.Count)))
	return appendText(out, string(packInts(nil, c.Covered)))
}

// filled returns a copy without holes.
func (c *MinuteColumn) filled() MinuteColumn {
	out := newMinuteColumn(len(c.Count))
	last := 0
	for i, n := range c.Count {
		if n > 0 {
			last = i
			break
		}
	}
	for i, n := range c.Count {
		if n > 0 {
			last = i
		}
		out.Mean[i], out.Min[i], out.Max[i] = c.Mean[last], c.Min[last], c.Max[last]
		out.Count[i], out.Covered[i] = n, c.Covered[i]
	}
	return out
}

// singles rounds to float32 where that is finite.
func singles(values []float64) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = v
		if x := float64(float32(v)); !math.IsInf(x, 0) {
			out[i] = x
		}
	}
	return out
}

// minuteForm finds the form whose counts give least and greatest back.
func (s scale) minuteForm(c *MinuteColumn) (form, param byte, ok bool) {
	fits := func(form, param byte) bool {
		count, ok := s.counter(form, param)
		_, fine := s.counter(finer(form, param))
		if !ok || !fine {
			return false
		}
		lows, low := toCounts(c.Min, count)
		highs, high := toCounts(c.Max, count)
		return low && high && countable(lows) && countable(highs)
	}
	if !s.float && s.Known() && fits(formCounts, 0) {
		return formCounts, 0, true
	}
	for d := byte(0); s.float && d < 6; d++ {
		if fits(formDecimal, d) {
			return formDecimal, d, true
		}
	}
	for e := int8(2); e >= -5; e-- {
		if fits(formScaled, byte(e)) {
			return formScaled, byte(e), true
		}
	}
	return 0, 0, false
}

// countable reports whether tenths of all counts are counted too, as the mean
// between them needs.
func countable(counts []int64) bool {
	const most = 1 << 49 // ten times as much is exact in every form
	return !slices.ContainsFunc(counts, func(k int64) bool { return k > most || k < -most })
}

// finer returns the form that counts tenths of another's counts.
func finer(form, param byte) (byte, byte) {
	switch form {
	case formCounts:
		return formScaled, 0xff // times ten to the power -1
	case formScaled:
		return formScaled, param - 1
	}
	return formDecimal, param + 1
}

// counter returns what counts a value in a form.
func (s scale) counter(form, param byte) (func(float64) (int64, bool), bool) {
	switch form {
	case formCounts:
		return s.known().Counts, true
	case formScaled:
		res, ok := s.times(int8(param))
		return res.Counts, ok
	}
	return s.decimal(param), param <= 6
}

func (c *MinuteColumn) packCounts(s scale, form, param byte) []byte {
	count, _ := s.counter(form, param)
	fine, _ := s.counter(finer(form, param))
	n := len(c.Count)
	mean, below, above := make([]int64, n), make([]int64, n), make([]int64, n)
	for i := range n {
		low, _ := count(c.Min[i])
		high, _ := count(c.Max[i])
		mean[i], _ = fine(c.Mean[i])
		middle := floorDiv(mean[i]+5, 10)
		below[i], above[i] = middle-low, high-middle
	}
	out := []byte{minuteCounts, form, param}
	for _, ints := range [][]int64{mean, below, above} {
		out = appendText(out, string(packInts(nil, ints)))
	}
	return append(out, c.packTallies()...)
}

func unpackMinutes(in []byte, s scale, n int) (MinuteColumn, error) {
	c, col := cursor{b: in}, newMinuteColumn(n)
	var err error
	switch c.byte() {
	case minuteCounts:
		err = col.unpackCounts(&c, s, c.byte(), c.byte())
	case minutePlain:
		for _, to := range []*[]float64{&col.Mean, &col.Min, &col.Max} {
			part := c.bytes()
			if len(part) == 0 {
				return col, errColumn
			}
			if *to, err = unpackValues(part, s, n); err != nil {
				return col, err
			}
		}
	default:
		return col, errColumn
	}
	if err != nil {
		return col, err
	}
	for _, to := range [][]int64{col.Count, col.Covered} {
		if err := readInts(c.bytes(), to); err != nil {
			return col, err
		}
	}
	if c.bad || len(c.b) != 0 {
		return col, errColumn
	}
	col.empty()
	return col, nil
}

// empty clears the figures of minutes without a value.
func (c *MinuteColumn) empty() {
	for i, n := range c.Count {
		if n <= 0 {
			c.Count[i], c.Covered[i], c.Mean[i], c.Min[i], c.Max[i] = 0, 0, 0, 0, 0
		}
	}
}

func (c *MinuteColumn) unpackCounts(in *cursor, s scale, form, param byte) error {
	if form > formDecimal {
		return errColumn
	}
	// Count and Covered are read last; until then theirs is room for two more.
	mean, below, above := make([]int64, len(c.Count)), c.Count, c.Covered
	for _, to := range [][]int64{mean, below, above} {
		if err := readInts(in.bytes(), to); err != nil {
			return err
		}
	}
	for i, m := range mean {
		middle := floorDiv(m+5, 10)
		below[i], above[i] = middle-below[i], middle+above[i]
	}
	fine, tenth := finer(form, param)
	if err := s.values(fine, tenth, mean, c.Mean); err != nil {
		return err
	}
	if err := s.values(form, param, below, c.Min); err != nil {
		return err
	}
	return s.values(form, param, above, c.Max)
}
