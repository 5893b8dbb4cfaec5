package collector

import (
	"slices"
	"time"

	"tickover/model"
)

// Read is one planned question with the points its answer holds.
type Read struct {
	model.ReadRequest
	Points []int // indices into the device's points
}

// Wanted returns how many of the registers or bits read are wanted; the others
// are gaps that are read through because that takes less time than a second
// read.
func (r Read) Wanted(d model.Device) int {
	n, end := 0, 0
	for _, s := range wantedSpans(d, r.Points) {
		if s.table == r.Table && s.from >= int(r.Address) && s.to <= int(r.Address)+int(r.Count) {
			n += max(s.to-max(s.from, end), 0)
			end = max(end, s.to)
		}
	}
	return n
}

// span is a stretch of one table that must be read in one go.
type span struct {
	table    model.Table
	from, to int // to is excluded
	point    int
}

// planReads groups the wanted points of a device into the reads that take the
// least time on the line. Points of one read share its answer; a point and
// the register of its exponent may lie in different reads.
//
// turnaround is how long the unit takes to begin its answer. No read goes
// across one of the cuts. A point that is wider than the device's limit cannot
// be planned; config refuses it. Reads of oil pressure and frequency go first.
func planReads(l model.Line, d model.Device, points []int, turnaround time.Duration, cuts ...cut) []Read {
	spans := wantedSpans(d, points)
	var reads []Read
	for len(spans) > 0 {
		n := slices.IndexFunc(spans, func(s span) bool { return s.table != spans[0].table })
		if n < 0 {
			n = len(spans)
		}
		reads = append(reads, planTable(l, d, spans[:n], turnaround, cuts)...)
		spans = spans[n:]
	}
	slices.SortStableFunc(reads, func(a, b Read) int { return first(d, b.Points) - first(d, a.Points) })
	return reads
}

// first is 1 when one of the points is worth asking before all others.
func first(d model.Device, points []int) int {
	for _, i := range points {
		if id := d.Points[i].ID; id == model.OilPressure || id == model.FrequencyPoint {
			return 1
		}
	}
	return 0
}

// cut is a place that no read may go across: the device refuses reads that
// hold both the register before From and the one at To.
type cut struct {
	Table    model.Table
	From, To int
}

// across reports whether a read of registers from to end (excluded) goes
// across one of the cuts.
func across(cuts []cut, t model.Table, from, end int) bool {
	return slices.ContainsFunc(cuts, func(c cut) bool { return c.Table == t && from < c.From && end > c.To })
}

func wantedSpans(d model.Device, points []int) []span {
	var spans []span
	for _, i := range points {
		r := d.Points[i].Register
		spans = append(spans, span{r.Table, int(r.Address), r.Span(), i})
		if r.Exponent != nil {
			spans = append(spans, span{r.Table, int(*r.Exponent), int(*r.Exponent) + 1, i})
		}
	}
	slices.SortFunc(spans, func(a, b span) int {
		if a.table != b.table {
			return int(a.table) - int(b.table)
		}
		if a.from != b.from {
			return a.from - b.from
		}
		return a.to - b.to
	})
	return spans
}

// planTable splits sorted spans of one table exactly: best[i] is the least
// time for the first i spans, and the last read of it starts at cut[i].
func planTable(l model.Line, d model.Device, spans []span, turnaround time.Duration, cuts []cut) []Read {
	limit := spans[0].table.Limit()
	if d.MaxRegisters > 0 && !spans[0].table.Bits() {
		limit = min(limit, d.MaxRegisters)
	}
	best := make([]time.Duration, len(spans)+1)
	cut := make([]int, len(spans)+1)
	for i := 1; i <= len(spans); i++ {
		end := spans[i-1].to
		for j := i; j >= 1; j-- {
			end = max(end, spans[j-1].to)
			count := end - spans[j-1].from
			if j < i && (count > limit || across(cuts, spans[0].table, spans[j-1].from, end)) {
				break
			}
			cost := best[j-1] + WireTime(l, d, spans[0].table, count, turnaround)
			if j == i || cost < best[i] {
				best[i], cut[i] = cost, j-1
			}
		}
	}
	var reads []Read
	for i := len(spans); i > 0; i = cut[i] {
		reads = append(reads, newRead(d, spans[cut[i]:i]))
	}
	slices.Reverse(reads)
	return reads
}

func newRead(d model.Device, spans []span) Read {
	r := Read{ReadRequest: model.ReadRequest{
		Unit: d.Unit, Table: spans[0].table, Address: uint16(spans[0].from),
		Timeout: d.Timeout, MinGap: d.MinGap,
	}}
	end := 0
	for _, s := range spans {
		end = max(end, s.to)
		if !slices.Contains(r.Points, s.point) {
			r.Points = append(r.Points, s.point)
		}
	}
	r.Count = uint16(end - spans[0].from)
	return r
}

// WireTime returns how long one read occupies the line: eight request
// characters, the answer, the unit's turnaround and two frame gaps (Modbus
// over Serial Line v1.02, clauses 2.5.1 and 2.5.1.1). Lines over TCP count
// the turnaround alone: what lies behind a gateway is not seen.
func WireTime(l model.Line, d model.Device, t model.Table, count int, turnaround time.Duration) time.Duration {
	if l.Kind != model.SerialLine {
		return turnaround
	}
	data := 2 * count
	if t.Bits() {
		data = (count + 7) / 8
	}
	gap := max(l.FrameGap(), d.MinGap)
	return time.Duration(8+5+data)*l.CharacterTime() + 2*gap + turnaround
}
