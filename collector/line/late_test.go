package line

import (
	"context"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"tickover/collector/slave"
	"tickover/model"
)

// TestVeryLateAnswers goes on asking a unit that is at one question for longer
// than the line waits for it. Nothing but the truth may come of that, and once
// the unit has said all it owes every question is answered at the first asking.
func TestVeryLateAnswers(t *testing.T) {
	for _, late := range []time.Duration{2500 * time.Millisecond, 4 * time.Second, 11 * time.Second, 45 * time.Second, 5 * time.Minute} {
		synctest.Test(t, func(t *testing.T) {
			var free time.Time // when the unit has said what it owes
			handled := uint64(0)
			next := func(r slave.Request) (f slave.Fault) {
				handled++
				if r.Address == 10 && r.Count == 2 && free.IsZero() {
					f = slave.Fault{Kind: slave.Late, Delay: late}
				}
				free = time.Now().Add(f.Delay + 30*time.Millisecond)
				return f
			}
			pace := slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}
			l := bench(t, model.Line{Name: "bus", Baud: 19200, Timeout: faultTimeout}, numbers(), pace, slave.Faults{Next: next})
			good := 0
			for i := uint16(0); good < 20 && i < 4000; i++ {
				address := 10 + i%13*10
				synctest.Wait()
				u := l.Health().Units
				clean := len(u) > 0 && handled == u[0].Asked && time.Now().After(free)
				a, err := l.Read(context.Background(), model.ReadRequest{Unit: 2, Address: address, Count: 2})
				switch {
				case err == nil && (a.Words[0] != number(2, address) || a.Words[1] != number(2, address+1)):
					t.Fatalf("%s late: registers %d read as %v", late, address, a.Words)
				case err != nil && clean:
					t.Fatalf("%s late: the unit was free, and yet: %v", late, err)
				case clean:
					good++
				}
				time.Sleep(100 * time.Millisecond)
			}
			if good < 20 {
				t.Errorf("%s late: only %d questions found the unit free", late, good)
			}
		})
	}
}

// TestAbsentUnitCostsNoPatience asks a unit that never answered: it gets its
// timeout, a second time for the first question, and not the two seconds more
// that one is given which may be at an old question.
func TestAbsentUnitCostsNoPatience(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := bench(t, model.Line{Name: "bus", Baud: 19200, Timeout: faultTimeout}, numbers(), slave.Pace{Baud: 19200}, slave.Faults{})
		began := time.Now()
		for range 3 {
			if _, err := l.Read(context.Background(), model.ReadRequest{Unit: 9, Count: 2}); err == nil {
				t.Fatal("a unit that is not there answered")
			}
		}
		if took := time.Since(began); took > 4*faultTimeout+100*time.Millisecond {
			t.Errorf("three questions to a unit that is not there took %s", took)
		}
	})
}

// TestLateAnswersAmongAllKinds mixes tables and lengths, and has every fifth
// address answered late by anything up to what is waited for.
func TestLateAnswersAmongAllKinds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		rng, lag := rand.New(rand.NewPCG(3, 4)), rand.New(rand.NewPCG(5, 6))
		slow := func(address uint16) bool { return address%5 == 1 }
		next := func(r slave.Request) (f slave.Fault) {
			if slow(r.Address) && r.Count > 1 {
				f = slave.Fault{Kind: slave.Late, Delay: time.Duration(lag.Int64N(int64(longest + faultTimeout - 50*time.Millisecond)))}
			}
			return f
		}
		pace := slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}
		l := bench(t, model.Line{Name: "bus", Baud: 19200, Timeout: faultTimeout}, numbers(), pace, slave.Faults{Next: next})
		for i := range 2000 {
			q := model.ReadRequest{Unit: 2, Table: model.HoldingRegisters, Address: uint16(rng.IntN(200)), Count: uint16(2 + rng.IntN(4))}
			if rng.IntN(2) == 0 {
				q.Table = model.InputRegisters
			}
			a, err := l.Read(context.Background(), q)
			if err != nil && !slow(q.Address) {
				t.Fatalf("question %d, %s: %v", i, q, err)
			}
			for n, w := range a.Words {
				want := number(2, q.Address+uint16(n))
				if q.Table == model.InputRegisters {
					want = ^want
				}
				if w != want {
					t.Fatalf("question %d, %s: got %v", i, q, a.Words)
				}
			}
		}
	})
}

// stubborn is a bank that gives pairs of holding registers and nothing else.
type stubborn struct{ *slave.Registers }

func (s stubborn) Read(unit byte, table model.Table, address, count uint16) ([]uint16, byte) {
	switch {
	case table != model.HoldingRegisters:
		return nil, slave.IllegalFunction
	case count != 2:
		return nil, slave.IllegalAddress
	}
	return s.Registers.Read(unit, table, address, count)
}

// TestAUnitThatRefusesShortReads has answers lost by a unit that cannot be
// asked for a single register to learn that they have passed.
func TestAUnitThatRefusesShortReads(t *testing.T) {
	for _, fault := range []slave.Fault{{Kind: slave.Lost}, {Kind: slave.Late, Delay: faultTimeout + 1500*time.Millisecond}} {
		synctest.Test(t, func(t *testing.T) {
			next := func(r slave.Request) slave.Fault {
				if r.Address%40 == 10 && r.Count == 2 && r.Function == 3 {
					return fault
				}
				return slave.Fault{}
			}
			pace := slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}
			l := bench(t, model.Line{Name: "bus", Baud: 19200, Timeout: faultTimeout}, stubborn{numbers()}, pace, slave.Faults{Next: next})
			var o outcome
			for i := range uint16(20) {
				o.add(l, i*10, model.NoAnswer)
			}
			if want := (outcome{cleanGood: 15}); o != want {
				t.Errorf("%s: got %+v, want %+v", fault.Kind, o, want)
			}
		})
	}
}
