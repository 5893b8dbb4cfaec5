package store

import (
	"encoding/binary"
	"errors"
	"math"
	"time"

	"tickover/model"
)

var errBlock = errors.New("block damaged")

// Bounds of a block, checked before room is taken: a few bytes may stand for
// any number of equal values. FORMAT.md states them.
const (
	maxRows    = 1 << 16
	maxColumns = 1 << 10 // points of one group
	maxCells   = 1 << 22 // rows times columns: 32 MiB of values
	batchCells = 4 * maxCells
)

// fit reports whether so many rows may stand in one block. Their product is more
// than an int of 32 bits holds.
func (s *schema) fit(rows int) bool {
	return rows <= maxRows && int64(rows)*int64(len(s.points)) <= maxCells
}

// mostRows is how many rows a writer puts into one block: half of what fits,
// so that two may be joined.
func (s *schema) mostRows() int { return min(maxRows, maxCells/max(len(s.points), 1)) / 2 }

// schema says what a group's columns are.
type schema struct {
	group  string
	points []model.PointID
	scales []scale
}

// matches reports whether a scan has exactly these columns.
func (s *schema) matches(scan *model.Scan) bool {
	if len(s.points) != scan.Measured {
		return false
	}
	for i, p := range s.points {
		if scan.Samples[i].Point != p {
			return false
		}
	}
	return true
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

// encode writes the schema; equal schemas give equal bytes.
func (s *schema) encode() []byte {
	b := appendText(nil, s.group)
	b = binary.AppendUvarint(b, uint64(len(s.points)))
	for i, p := range s.points {
		b = appendText(b, string(p))
		sc := s.scales[i]
		b = binary.AppendVarint(b, sc.Num)
		b = binary.AppendVarint(b, sc.Den)
		b = binary.AppendVarint(b, sc.Off)
		if sc.float {
			b = append(b, 1)
		} else {
			b = append(b, 0)
		}
	}
	return b
}

func decodeSchema(b []byte) (*schema, error) {
	c := cursor{b: b}
	s := &schema{group: c.text()}
	points := c.count()
	if points > maxColumns {
		return nil, errBlock
	}
	for range points {
		s.points = append(s.points, model.PointID(c.text()))
		var sc scale
		sc.Num, sc.Den, sc.Off = c.varint(), c.varint(), c.varint()
		sc.float = c.byte() == 1
		s.scales = append(s.scales, sc)
	}
	if c.bad || len(c.b) != 0 {
		return nil, errBlock
	}
	return s, nil
}

// cursor reads small fields and remembers that one was missing.
type cursor struct {
	b   []byte
	bad bool
}

func (c *cursor) uvarint() uint64 {
	v, n := binary.Uvarint(c.b)
	if n <= 0 {
		c.bad, c.b = true, nil
		return 0
	}
	c.b = c.b[n:]
	return v
}

func (c *cursor) varint() int64 {
	v, n := binary.Varint(c.b)
	if n <= 0 {
		c.bad, c.b = true, nil
		return 0
	}
	c.b = c.b[n:]
	return v
}

func (c *cursor) take(n uint64) []byte {
	if n > uint64(len(c.b)) {
		c.bad, c.b = true, nil
		return nil
	}
	out := c.b[:n]
	c.b = c.b[n:]
	return out
}

// count reads a number of things that each take at least one byte.
func (c *cursor) count() uint64 {
	n := c.uvarint()
	if n > uint64(len(c.b)) {
		c.bad, c.b = true, nil
		return 0
	}
	return n
}

func (c *cursor) text() string  { return string(c.take(c.uvarint())) }
func (c *cursor) bytes() []byte { return c.take(c.uvarint()) }
func (c *cursor) byte() byte {
	if b := c.take(1); b != nil {
		return b[0]
	}
	return 0
}

// rows are some consecutive scans of one group in one boot, by column. Only
// the writer appends; a reader that copied the struct may go on using what it
// saw, because what was appended never changes.
type rows struct {
	schema *schema
	boot   uint32
	at     []int64
	values [][]float64
	states [][]status // a column's is nil when all of it is good (decoded blocks only)
	lags   [][]int32  // in lagUnit; a column's is nil when all of it is zero
}

func newRows(s *schema, boot uint32) *rows {
	n := len(s.points)
	return &rows{schema: s, boot: boot, values: make([][]float64, n), states: make([][]status, n), lags: make([][]int32, n)}
}

func (r *rows) add(scan *model.Scan) {
	r.at = append(r.at, int64(scan.At.Offset))
	for i, sample := range scan.Samples[:scan.Measured] {
		r.lags[i] = lagged(r.lags[i], len(r.values[i]), lagOf(sample))
		r.values[i] = append(r.values[i], sample.Value)
		r.states[i] = append(r.states[i], statusOf(sample))
	}
}

// from returns the rows from index n on.
func (r *rows) from(n int) *rows { return r.slice(n, len(r.at)) }

func (r *rows) slice(n, m int) *rows {
	out := newRows(r.schema, r.boot)
	out.at = r.at[n:m:m]
	for i := range r.values {
		if r.values[i] != nil {
			out.values[i] = r.values[i][n:m:m]
		}
		if r.states[i] != nil {
			out.states[i] = r.states[i][n:m:m]
		}
		if r.lags[i] != nil {
			out.lags[i] = r.lags[i][n:m:m]
		}
	}
	return out
}

func (r *rows) instant(i int) model.Instant {
	return model.Instant{Boot: r.boot, Offset: time.Duration(r.at[i])}
}

// encodeRows writes rows as the body of a block. There must be at least one.
func encodeRows(r *rows) []byte {
	first, last := r.at[0], r.at[len(r.at)-1]
	columns := [][]byte{packStamps(r.at)}
	for i := range r.values {
		columns = append(columns, packColumn(nil, r.schema.scales[i], r.values[i], r.states[i]))
	}
	b := binary.AppendUvarint(nil, uint64(len(r.at)))
	b = binary.AppendVarint(b, first)
	b = binary.AppendUvarint(b, uint64(last-first))
	for _, c := range columns {
		b = binary.AppendUvarint(b, uint64(len(c)))
	}
	for _, c := range columns {
		b = append(b, c...)
	}
	return append(b, packLags(r.lags)...)
}

// packStamps writes the time column: distances from the first in the coarsest
// unit that loses nothing.
func packStamps(at []int64) []byte {
	unit := int64(time.Second)
	for _, t := range at {
		for (t-at[0])%unit != 0 {
			unit /= 10
		}
	}
	ticks := make([]int64, len(at))
	gaps := make([]int64, max(len(at)-1, 1))
	for i, t := range at {
		ticks[i] = (t - at[0]) / unit
		if i > 0 {
			gaps[i-1] = ticks[i] - ticks[i-1]
		}
	}
	mean := (ticks[len(ticks)-1] + int64(len(gaps))/2) / int64(len(gaps))
	return packInts(binary.AppendUvarint(nil, uint64(unit)), ticks, mean, twoDigits(middle(gaps)))
}

// twoDigits rounds to two significant digits, which is what poll intervals have.
func twoDigits(v int64) int64 {
	unit := int64(1)
	for v/unit >= 100 {
		unit *= 10
	}
	return (v + unit/2) / unit * unit
}

func unpackStamps(in []byte, first int64, at []int64) ([]int64, error) {
	unit, used := binary.Uvarint(in)
	if used <= 0 || unit == 0 || unit > uint64(time.Second) {
		return nil, errBlock
	}
	if err := readInts(in[used:], at); err != nil {
		return nil, err
	}
	before := int64(math.MinInt64)
	for i, ticks := range at {
		now := first + ticks*int64(unit)
		if now < before {
			return nil, errBlock
		}
		at[i], before = now, now
	}
	return at, nil
}

// blockSpan reads a body's row count and first and last offset.
func blockSpan(body []byte) (n int, first, last int64, err error) {
	c := cursor{b: body}
	count, first, span := c.uvarint(), c.varint(), c.uvarint()
	if c.bad || count == 0 || count > maxRows || span > math.MaxInt64 {
		return 0, 0, 0, errBlock
	}
	return int(count), first, first + int64(span), nil
}

// scratch is room that one block after another is decoded into. What was
// decoded before is gone then.
type scratch struct {
	counts, at []int64
	values     []float64
	lagless    bool // whoever reads has no use for lags
}

// room returns room for n rows of so many columns.
func (s *scratch) room(n, columns int) {
	if cap(s.counts) < n {
		s.counts, s.at = make([]int64, n), make([]int64, n)
	}
	if cap(s.values) < n*columns {
		s.values = make([]float64, n*columns)
	}
	s.values = s.values[:0]
}

// column returns room for one more column of n values.
func (s *scratch) column(n int) []float64 {
	s.values = s.values[:len(s.values)+n]
	return s.values[len(s.values)-n : len(s.values) : len(s.values)]
}

// decodeRows reads a body. Only the columns that want says are decoded; nil
// wants all. With nil for room the rows keep their own.
func decodeRows(body []byte, s *schema, boot uint32, want func(model.PointID) bool, room *scratch) (*rows, error) {
	n, first, _, err := blockSpan(body)
	if err != nil {
		return nil, err
	}
	if !s.fit(n) {
		return nil, errBlock
	}
	c := cursor{b: body}
	c.uvarint()
	c.varint()
	c.uvarint()
	lengths := make([]uint64, len(s.points)+1)
	for i := range lengths {
		lengths[i] = c.uvarint()
	}
	if room == nil {
		room = &scratch{}
	}
	columns := len(s.points)
	if want != nil {
		columns = 0
		for _, p := range s.points {
			if want(p) {
				columns++
			}
		}
	}
	room.room(n, columns)
	r := newRows(s, boot)
	if r.at, err = unpackStamps(c.take(lengths[0]), first, room.at[:n:n]); err != nil {
		return nil, err
	}
	for i, p := range s.points {
		column := c.take(lengths[i+1])
		if c.bad {
			return nil, errBlock
		}
		if want != nil && !want(p) {
			continue
		}
		if r.values[i], r.states[i], err = unpackColumn(column, s.scales[i], room.column(n), room.counts[:n]); err != nil {
			return nil, err
		}
	}
	if room.lagless {
		return r, nil
	}
	r.lags, err = unpackLags(c.b, n, s.points, want)
	return r, err
}
