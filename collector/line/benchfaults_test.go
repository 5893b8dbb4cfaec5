package line

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"tickover/collector/slave"
	"tickover/model"
)

// BenchmarkFaults faults every fourth read, on each of its tries, over a
// pseudo-terminal at 19200 Bd: wrong counts values that are not the register's,
// collateral errors on reads that were not faulted, answered the share of
// faulted reads that came through. testdata/rivals does the same beside two
// libraries.
func BenchmarkFaults(b *testing.B) {
	for _, c := range faultCases {
		b.Run(c.name, func(b *testing.B) { benchFault(b, c.fault) })
	}
	for _, late := range []time.Duration{150, 1500} {
		fault := slave.Fault{Kind: slave.Late, Delay: benchTimeout + late*time.Millisecond}
		b.Run(fmt.Sprintf("%d ms late", late), func(b *testing.B) { benchFault(b, fault) })
	}
}

const benchTimeout = 100 * time.Millisecond

func benchFault(b *testing.B, fault slave.Fault) {
	master, path, err := slave.OpenPTY()
	if err != nil {
		b.Fatal(err)
	}
	next := func(r slave.Request) slave.Fault {
		if r.Count == 2 && r.Address%40 == 10 {
			return fault
		}
		return slave.Fault{}
	}
	done := make(chan error, 1)
	go func() {
		pace := slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}
		done <- slave.ServeRTU(b.Context(), master, numbers(), pace, slave.Faults{Next: next})
	}()
	l := New(model.Line{Name: filepath.Base(path), Address: path, Baud: 19200, Timeout: benchTimeout})
	var o outcome
	for n := range b.N {
		o.add(l, uint16(n%29)*10, model.NoCause)
	}
	l.Close()
	master.Close()
	if err := <-done; err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(o.wrong), "wrong")
	b.ReportMetric(float64(o.collateral), "collateral")
	if faulted := o.faultedGood + o.badCause; faulted > 0 {
		b.ReportMetric(float64(o.faultedGood)/float64(faulted), "answered")
	}
}
