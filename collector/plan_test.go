package collector

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/model"
	"tickover/testdata/reference"
)

// The least time by trying every way to cut the sorted spans into reads.
func leastTime(l model.Line, d model.Device, spans []span, limit int, refused []cut) time.Duration {
	best := time.Duration(math.MaxInt64)
	for cuts := range 1 << (len(spans) - 1) {
		var sum time.Duration
		for from, i := 0, 0; i < len(spans); i++ {
			if i < len(spans)-1 && cuts>>i&1 == 0 {
				continue
			}
			end := 0
			for _, s := range spans[from : i+1] {
				end = max(end, s.to)
			}
			if i > from && (end-spans[from].from > limit || goesAcross(refused, spans[from].from, end)) {
				sum = math.MaxInt64 / 2
				break
			}
			sum += WireTime(l, d, spans[0].table, end-spans[from].from, Turnaround)
			from = i + 1
		}
		best = min(best, sum)
	}
	return best
}

func goesAcross(refused []cut, from, end int) bool {
	for _, c := range refused {
		if from <= c.From-1 && c.To <= end-1 {
			return true
		}
	}
	return false
}

func TestPlanTakesTheLeastTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := model.Line{Baud: rapid.SampledFrom([]int{9600, 19200, 38400, 115200}).Draw(t, "baud")}
		d := model.Device{Unit: 1, MaxRegisters: rapid.IntRange(4, 125).Draw(t, "limit")}
		for range rapid.IntRange(1, 8).Draw(t, "points") {
			d.Points = append(d.Points, model.Point{Register: model.Register{
				Address: uint16(rapid.IntRange(0, 300).Draw(t, "address")),
				Type:    rapid.SampledFrom([]model.RegisterType{model.Uint16, model.Float32, model.Int64}).Draw(t, "type"),
			}})
		}
		var wanted []int
		for i := range d.Points {
			wanted = append(wanted, i)
		}
		var sum time.Duration
		covered := map[int]bool{}
		var refused []cut
		for _, c := range places(d, Read{ReadRequest: model.ReadRequest{Count: 65535}, Points: wanted}) {
			if rapid.IntRange(0, 3).Draw(t, "cut") == 0 {
				refused = append(refused, c.cut)
			}
		}
		for _, r := range planReads(l, d, wanted, Turnaround, refused...) {
			if len(r.Points) > 1 && goesAcross(refused, int(r.Address), int(r.Address)+int(r.Count)) {
				t.Fatalf("%s goes across one of %v", r, refused)
			}
			if int(r.Count) > d.MaxRegisters {
				t.Fatalf("a read of %d registers; the unit gives %d", r.Count, d.MaxRegisters)
			}
			sum += WireTime(l, d, r.Table, int(r.Count), Turnaround)
			for _, i := range r.Points {
				g := d.Points[i].Register
				covered[i] = covered[i] || g.Address >= r.Address && g.Span() <= int(r.Address)+int(r.Count)
			}
		}
		if len(covered) != len(wanted) {
			t.Fatalf("%d of %d points are read", len(covered), len(wanted))
		}
		if least := leastTime(l, d, wantedSpans(d, wanted), d.MaxRegisters, refused); sum != least {
			t.Fatalf("the plan takes %s, the least is %s", sum, least)
		}
	})
}

// Worked table of wire times: testdata/reference/modbus_wire_time.csv, from
// Modbus over Serial Line v1.02 clauses 2.5.1 and 2.5.1.1 (11-bit characters,
// two t3.5 for each read, no turnaround).
func TestWireTimeIsTheSerialGuides(t *testing.T) {
	seen := 0
	for _, row := range reference.Rows(t, "modbus_wire_time.csv") {
		if row["bits_per_char"] != "11" {
			continue
		}
		baud, n, want := row.Int(t, "baud"), row.Int(t, "N_registers"), row.Number(t, "min_cycle_ms_with_2x_t3_5")
		got := WireTime(model.Line{Baud: baud}, model.Device{}, model.HoldingRegisters, n, 0)
		if math.Abs(got.Seconds()*1000-want) > 0.001 {
			t.Errorf("%d Bd, %d registers: %.4f ms, the table says %.3f", baud, n, got.Seconds()*1000, want)
		}
		seen++
	}
	if seen < 12 {
		t.Fatalf("only %d rows were checked", seen)
	}
}
