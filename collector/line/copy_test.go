package line

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"tickover/collector/slave"
	"tickover/model"
)

// alike is a bank with a different word in each of the units 1 and 2, the same
// at every address.
func alike() *slave.Registers {
	r := &slave.Registers{}
	for a := range uint16(100) {
		r.Set(1, model.HoldingRegisters, a, 0)
		r.Set(2, model.HoldingRegisters, a, 137)
	}
	return r
}

// asks puts two questions of one shape in turn, n times each, and returns how
// often something was asked besides.
func asks(t *testing.T, l *Line, unit byte, n int) (besides uint64) {
	t.Helper()
	before := l.Health()
	for i := range 2 * n {
		if _, err := l.Read(context.Background(), model.ReadRequest{Unit: unit, Address: uint16(50 * (i % 2)), Count: 2}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Millisecond)
	}
	after := l.Health()
	return after.Retries + after.Fences - before.Retries - before.Fences
}

// TestStandingStillCostsNothing reads registers that all hold 0 in reads of one
// shape, as on a set that stands still: once the unit is known not to send its
// answers twice, each question is asked once. Of other numbers, and after a
// single frame too many, an answer like the last one is asked for again.
func TestStandingStillCostsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		twice := false
		fault := func(slave.Request) slave.Fault {
			if twice {
				return slave.Fault{Kind: slave.Twice}
			}
			return slave.Fault{}
		}
		pace := slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}
		l := bench(t, model.Line{Baud: 19200}, alike(), pace, slave.Faults{Next: fault})
		asks(t, l, 1, enoughAlone/2)
		asks(t, l, 2, enoughAlone/2)
		if n := asks(t, l, 1, 50); n > 0 {
			t.Errorf("%d questions besides the 100 to a unit that stands still", n)
		}
		if n := asks(t, l, 2, 50); n < 50 {
			t.Errorf("%d questions besides the 100 where answers that say something are alike, want one for each other", n)
		}
		twice = true
		asks(t, l, 1, 1)
		twice = false
		if n := asks(t, l, 1, 50); n < 50 {
			t.Errorf("%d questions besides the 100 after an answer came twice, want one for each other", n)
		}
	})
}
