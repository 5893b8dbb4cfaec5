package line

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"tickover/collector/slave"
	"tickover/model"
)

// TestAnAnswerToTheDeadProgramIsNotTaken kills a program while a unit is at a
// question, and begins with another one of the same shape 5 ms later. Whenever
// within its timeout the unit answers, the new program takes that for nothing.
func TestAnAnswerToTheDeadProgramIsNotTaken(t *testing.T) {
	for _, late := range []time.Duration{30, 100, 200, 300, 400, 480} {
		synctest.Test(t, func(t *testing.T) {
			next := func(r slave.Request) (f slave.Fault) {
				if r.Address == 10 {
					f = slave.Fault{Kind: slave.Late, Delay: late * time.Millisecond}
				}
				return f
			}
			def := model.Line{Name: "bus", Baud: 19200}
			dead := bench(t, def, numbers(), slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}, slave.Faults{Next: next})
			ctx, kill := context.WithTimeout(context.Background(), 20*time.Millisecond)
			defer kill()
			if _, err := dead.Read(ctx, model.ReadRequest{Unit: 2, Address: 10, Count: 2}); err == nil {
				t.Fatal("the program was not killed while it waited")
			}
			dead.bus.Lock()
			c := dead.conn.(*wire).port.(*cable)
			dead.bus.Unlock()
			time.Sleep(5 * time.Millisecond)
			l := New(def)
			l.dial = func(context.Context) (exchange, error) { return newWire(def, c, l.tally, l.memory), nil }
			for _, address := range []uint16{50, 70, 90} {
				a, err := l.Read(context.Background(), model.ReadRequest{Unit: 2, Address: address, Count: 2})
				if err != nil || a.Words[0] != number(2, address) || a.Words[1] != number(2, address+1) {
					t.Errorf("%d ms late: registers from %d read as %v, %v", late, address, a.Words, err)
				}
			}
		})
	}
}
