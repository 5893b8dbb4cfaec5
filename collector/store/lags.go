package store

import (
	"encoding/binary"
	"math"
	"slices"
	"time"

	"tickover/model"
)

// lagUnit is what lags are kept in. Scans begin on whole milliseconds too, a
// character at 9600 Bd takes one, and adapters hand bytes over once in one:
// finer digits are the machine's own jitter, and each would cost more than
// three bits for every answer.
const lagUnit = time.Millisecond

// The forms of a column of lags.
const (
	lagsPlain = iota // as they are
	lagsAfter        // distances from the column before: one answer follows the other
	lagsRaw          // four bytes each, little-endian
	lagForms
)

// lagOf rounds a sample's lag to what is kept of it.
func lagOf(s model.Sample) int32 {
	return int32(min(max(s.Lag.Round(lagUnit)/lagUnit, 0), math.MaxInt32))
}

// lagged appends to a column of n lags. A column of zeros is nil.
func lagged(column []int32, n int, lag int32) []int32 {
	if column == nil && lag == 0 {
		return nil
	}
	if column == nil {
		column = make([]int32, n)
	}
	return append(column, lag)
}

// lag returns one sample's lag in lagUnit.
func (r *rows) lag(col, row int) int32 {
	if r.lags[col] == nil {
		return 0
	}
	return r.lags[col][row]
}

// packLags writes the lags of rows: for each point the number of its column,
// the points of one request sharing one, and the columns. When every answer
// came at its scan's instant, that is nothing at all.
func packLags(lags [][]int32) []byte {
	columns := distinct(lags)
	if len(columns) == 0 {
		return nil
	}
	out := binary.AppendUvarint(nil, uint64(len(columns)))
	for _, l := range lags {
		n := slices.IndexFunc(columns, func(c []int32) bool { return slices.Equal(c, l) })
		out = binary.AppendUvarint(out, uint64(n+1)) // 0 when it is none of them
	}
	var before []int64
	var bodies []byte
	for _, c := range columns {
		now := widened(c)
		body := packLag(now, before)
		out = binary.AppendUvarint(out, uint64(len(body)))
		bodies, before = append(bodies, body...), now
	}
	return append(out, bodies...)
}

// distinct lists the columns that differ and aren't all zeros, in the order in
// which the answers came.
func distinct(lags [][]int32) (columns [][]int32) {
	for _, l := range lags {
		known := func(c []int32) bool { return slices.Equal(c, l) }
		if slices.ContainsFunc(l, func(lag int32) bool { return lag != 0 }) && !slices.ContainsFunc(columns, known) {
			columns = append(columns, l)
		}
	}
	slices.SortStableFunc(columns, slices.Compare)
	return columns
}

func widened(lags []int32) []int64 {
	out := make([]int64, len(lags))
	for i, l := range lags {
		out[i] = int64(l)
	}
	return out
}

// packLag takes the form that is shortest of those that give every lag back.
func packLag(now, before []int64) []byte {
	best := []byte{lagsRaw}
	for _, l := range now {
		best = binary.LittleEndian.AppendUint32(best, uint32(l))
	}
	try := func(form byte, values []int64) {
		body := packInts([]byte{form}, values)
		back := make([]int64, len(now))
		if len(body) < len(best) && unpackLag(body, before, back) == nil && slices.Equal(back, now) {
			best = body
		}
	}
	try(lagsPlain, now)
	if before != nil {
		after := make([]int64, len(now))
		for i := range now {
			after[i] = now[i] - before[i]
		}
		try(lagsAfter, after)
	}
	return best
}

// unpackLags reads what packLags wrote: the lags of each point that want says,
// shared between those of one column.
func unpackLags(in []byte, rows int, points []model.PointID, want func(model.PointID) bool) ([][]int32, error) {
	lags := make([][]int32, len(points))
	if len(in) == 0 {
		return lags, nil
	}
	c := cursor{b: in}
	columns := c.uvarint()
	of, last := make([]uint64, len(points)), uint64(0)
	for i, p := range points {
		if of[i] = c.uvarint(); of[i] > columns {
			return nil, errBlock
		}
		if want == nil || want(p) {
			last = max(last, of[i])
		}
	}
	if c.bad || columns > uint64(len(points)) {
		return nil, errBlock
	}
	shared, err := c.lagColumns(int(columns), int(last), rows)
	if err != nil {
		return nil, err
	}
	for i, p := range points {
		if of[i] > 0 && (want == nil || want(p)) {
			lags[i] = shared[of[i]-1]
		}
	}
	return lags, nil
}

// lagColumns reads the first few of so many columns.
func (c *cursor) lagColumns(columns, wanted, rows int) (shared [][]int32, err error) {
	lengths, total := make([]uint64, columns), uint64(0)
	for i := range lengths {
		lengths[i] = c.count()
		total += lengths[i]
	}
	if c.bad || total != uint64(len(c.b)) {
		return nil, errBlock
	}
	var before []int64
	for _, length := range lengths[:wanted] {
		now := make([]int64, rows)
		if err := unpackLag(c.take(length), before, now); err != nil {
			return nil, err
		}
		narrow := make([]int32, rows)
		for i, l := range now {
			narrow[i] = int32(l)
		}
		shared, before = append(shared, narrow), now
	}
	return shared, nil
}

func unpackLag(in []byte, before, now []int64) error {
	if len(in) == 0 || in[0] >= lagForms || in[0] == lagsAfter && before == nil {
		return errColumn
	}
	form, in := in[0], in[1:]
	switch {
	case form != lagsRaw:
		if err := readInts(in, now); err != nil {
			return err
		}
	case len(in) != 4*len(now):
		return errColumn
	default:
		for i := range now {
			now[i] = int64(binary.LittleEndian.Uint32(in[4*i:]))
		}
	}
	for i := range now {
		if form == lagsAfter {
			now[i] += before[i]
		}
		if now[i] < 0 || now[i] > math.MaxInt32 {
			return errColumn
		}
	}
	return nil
}
