package line

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"tickover/collector/slave"
	"tickover/model"
)

const faultTimeout = 300 * time.Millisecond

// faultCase is one row of the fault matrix: what comes of the five faulted
// reads when every try of theirs is faulted.
type faultCase struct {
	name  string
	fault slave.Fault
	cause model.Cause // of the error; NoCause: the right value all the same
}

var faultCases = []faultCase{
	{"exception 02", slave.Fault{Kind: slave.ExceptionFault}, model.DeviceException},
	{"exception 02, slow", slave.Fault{Kind: slave.ExceptionFault, Delay: 60 * time.Millisecond}, model.DeviceException},
	{"ghost before", slave.Fault{Kind: slave.GhostBefore}, model.NoCause},
	{"ghost before, slow", slave.Fault{Kind: slave.GhostBefore, Delay: 60 * time.Millisecond}, model.NoCause},
	{"ghost after", slave.Fault{Kind: slave.GhostAfter}, model.NoCause},
	{"ghost after a pause", slave.Fault{Kind: slave.GhostAfterPause}, model.NoCause},
	{"lost", slave.Fault{Kind: slave.Lost}, model.NoAnswer},
	{"truncated", slave.Fault{Kind: slave.Truncated}, model.CorruptAnswer},
	{"bit error", slave.Fault{Kind: slave.BitError}, model.CorruptAnswer},
	{"byte lost", slave.Fault{Kind: slave.ByteLost}, model.CorruptAnswer},
	{"wrong unit", slave.Fault{Kind: slave.WrongUnit}, model.ForeignAnswer},
	{"foreign frame before", slave.Fault{Kind: slave.ForeignBefore}, model.NoCause},
	{"pause inside", slave.Fault{Kind: slave.PauseInside}, model.NoCause},
	{"too many registers", slave.Fault{Kind: slave.TooMany}, model.ForeignAnswer},
	{"wrong function", slave.Fault{Kind: slave.WrongFunction}, model.ForeignAnswer},
	{"echo", slave.Fault{Kind: slave.Echo}, model.NoCause},
	{"noise before", slave.Fault{Kind: slave.Noise}, model.NoCause},
	{"noise only", slave.Fault{Kind: slave.NoiseOnly}, model.CorruptAnswer},
	{"twice", slave.Fault{Kind: slave.Twice}, model.NoCause},
}

// outcome counts what twenty reads gave.
type outcome struct{ cleanGood, faultedGood, wrong, collateral, badCause int }

// faultRun reads twenty addresses, faults every fourth, and looks at values.
func faultRun(t *testing.T, fault slave.Fault, cause model.Cause, once bool) (o outcome) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		o = outcome{}
		seen := map[uint16]bool{}
		next := func(r slave.Request) slave.Fault {
			if r.Count != 2 || r.Address%40 != 10 || once && seen[r.Address] {
				return slave.Fault{}
			}
			seen[r.Address] = true
			return fault
		}
		log := &slave.Log{}
		def := model.Line{Name: "bus", Baud: 19200, Timeout: faultTimeout}
		pace := slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond, Strict: true}
		l := bench(t, def, numbers(), pace, slave.Faults{Next: next, Log: log})
		for i := range uint16(20) {
			o.add(l, i*10, cause)
		}
		talks := fault.Kind == slave.Twice // into the next question
		if !talks && log.Early() > 0 || len(log.Violations()) > 0 {
			t.Errorf("%d questions before the silence was over, violations %v", log.Early(), log.Violations())
		}
	})
	return o
}

func (o *outcome) add(l *Line, address uint16, cause model.Cause) {
	a, err := l.Read(context.Background(), model.ReadRequest{Unit: 2, Address: address, Count: 2})
	faulted := address%40 == 10
	var read *model.ReadError
	switch {
	case err == nil && (a.Words[0] != number(2, address) || a.Words[1] != number(2, address+1)):
		o.wrong++
	case err == nil && faulted:
		o.faultedGood++
	case err == nil:
		o.cleanGood++
	case !faulted:
		o.collateral++
	case !errors.As(err, &read) || read.Cause != cause || read.Hint == "":
		o.badCause++
	}
}

// TestFaultMatrix holds the line against every fault on cue: no wrong value,
// no error on a read that was not faulted, and each failure named.
func TestFaultMatrix(t *testing.T) {
	for _, c := range faultCases {
		t.Run(c.name, func(t *testing.T) {
			want := outcome{cleanGood: 15}
			if c.cause == model.NoCause {
				want.faultedGood = 5
			}
			if got := faultRun(t, c.fault, c.cause, false); got != want {
				t.Errorf("got %+v, want %+v", got, want)
			}
		})
	}
}

// TestLateAnswers asks on while answers come after their time: after the
// timeout by anything from a little to as much as is waited for.
func TestLateAnswers(t *testing.T) {
	for _, after := range []time.Duration{10, 50, 150, 290, 310, 450, 700, 1100, 1500, 1900} {
		for _, once := range []bool{true, false} {
			got := faultRun(t, slave.Fault{Kind: slave.Late, Delay: faultTimeout + after*time.Millisecond}, model.NoAnswer, once)
			if got.wrong != 0 || got.badCause != 0 || got.collateral != 0 {
				t.Errorf("%d ms late, once %v: %+v", after, once, got)
			}
		}
	}
}

// TestFaultedOnceIsRetried shows that one retry mends what happens once.
func TestFaultedOnceIsRetried(t *testing.T) {
	for _, c := range faultCases {
		if c.cause == model.DeviceException {
			continue // an answer: asking again would give it again
		}
		want := outcome{cleanGood: 15, faultedGood: 5}
		if got := faultRun(t, c.fault, c.cause, true); got != want {
			t.Errorf("%s: got %+v, want %+v", c.name, got, want)
		}
	}
}

// TestLongestAnswers reads as much as fits, at every rate: the answer takes
// longer than any pause that is allowed inside it.
func TestLongestAnswers(t *testing.T) {
	for _, baud := range []int{1200, 9600, 19200, 115200} {
		synctest.Test(t, func(t *testing.T) {
			l := bench(t, model.Line{Baud: baud}, numbers(), slave.Pace{Baud: baud, Strict: true}, slave.Faults{})
			for _, count := range []uint16{1, 40, 60, 125} {
				a, err := l.Read(context.Background(), model.ReadRequest{Unit: 2, Address: 7, Count: count})
				if err != nil {
					t.Fatalf("%d registers at %d Bd: %v", count, baud, err)
				}
				for i, w := range a.Words {
					if w != number(2, 7+uint16(i)) {
						t.Fatalf("register %d: %d", i, w)
					}
				}
			}
			if n := l.Health().Retries; n > 0 {
				t.Errorf("%d Bd: %d questions were asked again", baud, n)
			}
		})
	}
}
