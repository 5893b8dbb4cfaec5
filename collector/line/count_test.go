package line

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"tickover/collector/slave"
	"tickover/model"
)

// TestEveryExchangeIsCountedByItsCause spoils and loses one exchange in ten each,
// so that the second try of the question mends it: each is counted by what became
// of it, and all that was asked is accounted for.
func TestEveryExchangeIsCountedByItsCause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		asked, spoilt, lost, refused := 0, uint64(0), uint64(0), uint64(0)
		next := func(r slave.Request) (f slave.Fault) {
			switch asked++; {
			case asked%10 == 3:
				spoilt++
				f.Kind = slave.BitError
			case asked%10 == 7:
				lost++
				f.Kind = slave.Lost
			case r.Address == 90:
				refused++
				f.Kind = slave.ExceptionFault
			}
			return f
		}
		l := bench(t, model.Line{Baud: 19200}, numbers(), slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}, slave.Faults{Next: next})
		for i := range 400 {
			_, _ = l.Read(context.Background(), model.ReadRequest{Unit: 2, Address: uint16(10 * (i % 10)), Count: 1 + uint16(i%7)})
			time.Sleep(100 * time.Millisecond)
		}
		h := l.Health()
		if h.Corrupt != spoilt || h.NoAnswers != lost || h.Exceptions[2] != refused || spoilt < 40 || lost < 40 || refused < 20 {
			t.Errorf("%d corrupt of %d spoilt, %d without an answer of %d lost, %v of %d refused", h.Corrupt, spoilt, h.NoAnswers, lost, h.Exceptions, refused)
		}
		if u := h.Units[0]; u.Asked != u.Messages+u.Corrupt+u.NoAnswers+u.Foreign || h.Messages != u.Messages || h.Corrupt != u.Corrupt {
			t.Errorf("not all that was asked is accounted for: %+v", u)
		}
	})
}
