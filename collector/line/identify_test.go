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

// named is a bank whose units say who they are.
type named struct{ *slave.Registers }

func (named) Identity(unit byte) ([3]string, bool) {
	return [3]string{"Lower Pond Works", "PM-3", "v1.07"}, unit == 2
}

// TestIdentify asks a unit that knows the question, one that doesn't and one
// that isn't there.
func TestIdentify(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := &slave.Log{}
		l := bench(t, model.Line{}, named{numbers()}, slave.Pace{Baud: 19200, Strict: true}, slave.Faults{Log: log})
		got, err := l.Identify(context.Background(), 2, 0)
		if want := (model.Identity{Vendor: "Lower Pond Works", Product: "PM-3", Revision: "v1.07"}); err != nil || got != want {
			t.Errorf("got %+v, %v", got, err)
		}
		var read *model.ReadError
		if _, err := l.Identify(context.Background(), 3, 0); !errors.As(err, &read) || read.Exception != 1 {
			t.Errorf("a unit that does not know the question: %v", err)
		}
		if _, err := l.Identify(context.Background(), 9, 0); !errors.As(err, &read) || read.Cause != model.NoAnswer {
			t.Errorf("a unit that is not there: %v", err)
		}
		if v := log.Violations(); len(v) > 0 || log.Early() > 0 {
			t.Errorf("violations %v, %d too early", v, log.Early())
		}
	})
}

// TestPublishedIdentification decodes the standard's worked example:
// application protocol v1.1b3, clause 6.21, "Company identification",
// "Product code XX" and "V2.11", here with the lengths that the texts have.
func TestPublishedIdentification(t *testing.T) {
	pdu := []byte{0x2B, 0x0E, 0x01, 0x01, 0x00, 0x00, 0x03, 0x00, 22}
	pdu = append(append(pdu, "Company identification"...), 0x01, 15)
	pdu = append(append(pdu, "Product code XX"...), 0x02, 5)
	pdu = append(pdu, "V2.11"...)
	if n, ok := identityLength(pdu); !ok || n != len(pdu) {
		t.Fatalf("length %d, %v; it has %d bytes", n, ok, len(pdu))
	}
	objects := map[byte]string{}
	if _, more := identity(pdu, objects); more || objects[0] != "Company identification" || objects[1] != "Product code XX" || objects[2] != "V2.11" {
		t.Errorf("got %q, more %v", objects, more)
	}
	for n := range pdu {
		if _, ok := identityLength(pdu[:n]); ok {
			t.Errorf("the first %d bytes were taken for all", n)
		}
	}
}

// TestTimeoutIsLearned cuts the wait for a unit that answers promptly, and
// gives a unit that misses a question all the time it is allowed again.
func TestTimeoutIsLearned(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		lose := false
		next := func(r slave.Request) slave.Fault {
			if lose {
				return slave.Fault{Kind: slave.Lost}
			}
			return slave.Fault{Delay: 20 * time.Millisecond}
		}
		l := bench(t, model.Line{Timeout: time.Second}, numbers(), slave.Pace{Baud: 19200}, slave.Faults{Next: next})
		for i := range uint16(100) {
			if err := ask(t, l, i); err != nil {
				t.Fatal(err)
			}
		}
		u := l.Health().Units[0]
		if u.Timeout != leastTimeout {
			t.Errorf("after 100 answers within 25 ms the timeout is %s, want %s", u.Timeout, leastTimeout)
		}
		if u.Latency.Count() != 100 || u.Latency.Max < 20*time.Millisecond || u.Latency.Max > 30*time.Millisecond {
			t.Errorf("latency %+v", u.Latency)
		}
		lose = true
		start := time.Now()
		if ask(t, l, 3) == nil {
			t.Fatal("a lost question was answered")
		}
		if took := time.Since(start); took < 5*leastTimeout || took > 6*leastTimeout {
			t.Errorf("the miss took %s: want the learned timeout, then four times that", took)
		}
		if u := l.Health().Units[0]; u.Timeout != time.Second || u.Retries != 1 || u.NoAnswers != 2 {
			t.Errorf("after a miss: %+v", u)
		}
	})
}

// TestSlowUnitKeepsItsTime never cuts the wait below four times the slowest
// answer, nor lets it pass what is configured.
func TestSlowUnitKeepsItsTime(t *testing.T) {
	h := &habit{}
	for range 600 {
		h.heard(70 * time.Millisecond)
	}
	if got := h.timeout(time.Second); got != 280*time.Millisecond {
		t.Errorf("got %s", got)
	}
	if got := h.timeout(200 * time.Millisecond); got != 200*time.Millisecond {
		t.Errorf("over the limit: %s", got)
	}
	h.heard(150 * time.Millisecond) // late once
	for range 100 {
		h.heard(10 * time.Millisecond)
	}
	if got := h.timeout(time.Second); got != 600*time.Millisecond {
		t.Errorf("a slow answer was forgotten within 100: %s", got)
	}
}
