package forward

import (
	"math"
	"slices"
	"strings"

	"github.com/klauspost/compress/snappy"
	"google.golang.org/protobuf/encoding/protowire"

	"tickover/model"
)

// sample is one value on its way out.
type sample struct {
	series int   // place in the table
	t      int64 // ms since 1970 UTC
	v      float64
}

// staleMark is the value that tells a server that a series has ended for now
// (Prometheus' remote write specification 1.0, "Stale Markers").
var staleMark = math.Float64frombits(0x7ff0000000000002)

// table gives every point its series, encoded once.
type table struct {
	name   func(model.PointID) (model.Series, bool)
	extra  []model.Label
	place  map[model.PointID]int // -1 for a point without a series
	others map[string]int        // what is no point, by our own name for it
	labels [][]byte              // by place: the encoded labels
	scale  []float64
}

func newTable(name func(model.PointID) (model.Series, bool), extra []model.Label) *table {
	return &table{name: name, extra: extra, place: map[model.PointID]int{}, others: map[string]int{}}
}

// of returns the point's place; false when it has no series.
func (tb *table) of(p model.PointID) (int, bool) {
	i, known := tb.place[p]
	if !known {
		i = -1
		if s, ok := tb.name(p); ok {
			i = tb.add(s)
		}
		tb.place[p] = i
	}
	return i, i >= 0
}

// named returns the place of what is no point; series is asked once.
func (tb *table) named(key string, series func() model.Series) int {
	i, known := tb.others[key]
	if !known {
		i = tb.add(series())
		tb.others[key] = i
	}
	return i
}

func (tb *table) add(s model.Series) int {
	tb.labels = append(tb.labels, encodeLabels(s, tb.extra))
	tb.scale = append(tb.scale, s.Scale)
	return len(tb.labels) - 1
}

// encodeLabels writes the labels in the order of their names, as the
// specification demands.
func encodeLabels(s model.Series, extra []model.Label) []byte {
	all := slices.Concat([]model.Label{{Name: "__name__", Value: s.Name}}, s.Labels, extra)
	slices.SortFunc(all, func(a, b model.Label) int { return strings.Compare(a.Name, b.Name) })
	var out []byte
	for _, l := range all {
		var one []byte
		one = protowire.AppendString(protowire.AppendTag(one, 1, protowire.BytesType), l.Name)
		one = protowire.AppendString(protowire.AppendTag(one, 2, protowire.BytesType), l.Value)
		out = protowire.AppendBytes(protowire.AppendTag(out, 1, protowire.BytesType), one)
	}
	return out
}

// encoder turns samples into the body of a request. It is used by one
// goroutine and keeps its buffers.
type encoder struct {
	next   []int // by series: where its next sample goes
	sorted []sample
	raw    []byte
	packed []byte
}

// body encodes samples, which are in order of time. What it returns is good
// until the next call.
func (e *encoder) body(tb *table, samples []sample) []byte {
	e.bySeries(len(tb.labels), samples)
	e.raw = e.raw[:0]
	for from := 0; from < len(e.sorted); {
		to := from + 1
		for to < len(e.sorted) && e.sorted[to].series == e.sorted[from].series {
			to++
		}
		e.series(tb.labels[e.sorted[from].series], e.sorted[from:to])
		from = to
	}
	e.packed = snappy.Encode(e.packed[:cap(e.packed)], e.raw)
	return e.packed
}

// bySeries puts samples of one series together, each in order of time.
func (e *encoder) bySeries(series int, samples []sample) {
	e.next = append(e.next[:0], make([]int, series+1)...)
	for _, s := range samples {
		e.next[s.series+1]++
	}
	for i := range series {
		e.next[i+1] += e.next[i]
	}
	e.sorted = slices.Grow(e.sorted[:0], len(samples))[:len(samples)]
	for _, s := range samples {
		e.sorted[e.next[s.series]] = s
		e.next[s.series]++
	}
}

// series appends one TimeSeries message: its labels, then its samples.
func (e *encoder) series(labels []byte, samples []sample) {
	size := len(labels)
	for _, s := range samples {
		n := sampleSize(s)
		size += 1 + protowire.SizeVarint(uint64(n)) + n
	}
	e.raw = protowire.AppendVarint(protowire.AppendTag(e.raw, 1, protowire.BytesType), uint64(size))
	e.raw = append(e.raw, labels...)
	for _, s := range samples {
		e.raw = protowire.AppendVarint(protowire.AppendTag(e.raw, 2, protowire.BytesType), uint64(sampleSize(s)))
		e.raw = protowire.AppendFixed64(protowire.AppendTag(e.raw, 1, protowire.Fixed64Type), math.Float64bits(s.v))
		e.raw = protowire.AppendVarint(protowire.AppendTag(e.raw, 2, protowire.VarintType), uint64(s.t))
	}
}

// sampleSize is the length of a Sample message: a double and an int64, each
// behind a tag of one byte.
func sampleSize(s sample) int { return 1 + 8 + 1 + protowire.SizeVarint(uint64(s.t)) }
