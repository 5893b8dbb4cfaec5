package collector

import (
	"fmt"
	"testing"

	"tickover/model"
)

// BenchmarkPlan plans values that lie five registers apart and prints how much
// of the time of one read for each value the plan takes.
func BenchmarkPlan(b *testing.B) {
	for _, baud := range []int{9600, 115200} {
		for _, n := range []int{36, 2000} {
			b.Run(fmt.Sprintf("%d/%d", baud, n), func(b *testing.B) { benchPlan(b, baud, n) })
		}
	}
}

func benchPlan(b *testing.B, baud, n int) {
	l := model.Line{Baud: baud}
	d := model.Device{Unit: 1}
	var wanted []int
	for i := range n {
		d.Points = append(d.Points, model.Point{Register: model.Register{Address: uint16(5 * i), Type: model.Float32}})
		wanted = append(wanted, i)
	}
	var reads []Read
	for b.Loop() {
		reads = planReads(l, d, wanted, Turnaround)
	}
	planned, single := 0.0, float64(n)*WireTime(l, d, model.HoldingRegisters, 2, Turnaround).Seconds()
	for _, r := range reads {
		planned += WireTime(l, d, r.Table, int(r.Count), Turnaround).Seconds()
	}
	b.ReportMetric(100*planned/single, "%of-single-reads")
	b.ReportMetric(float64(len(reads)), "reads")
}
