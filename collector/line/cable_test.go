package line

import (
	"context"
	"io"
	"sync"
	"testing"
	"time"

	"tickover/collector/slave"
	"tickover/model"
)

// cable joins a line and a slave in memory, with room for everything on its
// way, so that time can be the test's own.
type cable struct {
	toSlave, toLine chan []byte
	rest            []byte // read by the line in part
	cut             chan struct{}
	once            sync.Once
	sent            func(frame []byte) // sees what the line sends; nil for no one
}

func newCable() *cable {
	return &cable{toSlave: make(chan []byte, 4096), toLine: make(chan []byte, 1<<16), cut: make(chan struct{})}
}

func (c *cable) read(b []byte, wait time.Duration) (int, error) {
	if len(c.rest) == 0 {
		t := time.NewTimer(wait)
		defer t.Stop()
		select {
		case c.rest = <-c.toLine:
		default:
			select {
			case c.rest = <-c.toLine:
			case <-t.C:
				return 0, nil
			case <-c.cut:
				return 0, errUnplug
			}
		}
	}
	for { // a port gives all that is there
		select {
		case more := <-c.toLine:
			c.rest = append(c.rest, more...)
			continue
		default:
		}
		n := copy(b, c.rest)
		c.rest = c.rest[n:]
		return n, nil
	}
}

func (c *cable) write(b []byte) error {
	if c.sent != nil {
		c.sent(b)
	}
	c.toSlave <- append([]byte(nil), b...)
	return nil
}

func (c *cable) close() error {
	c.once.Do(func() { close(c.cut) })
	return nil
}

func (c *cable) paced() bool { return true }

func (c *cable) pause(d time.Duration) { time.Sleep(d) }

// socket is the slave's end.
type socket struct{ c *cable }

func (s socket) Read(b []byte) (int, error) {
	select {
	case m := <-s.c.toSlave:
		return copy(b, m), nil
	case <-s.c.cut:
		return 0, io.EOF
	}
}

func (s socket) Write(b []byte) (int, error) {
	s.c.toLine <- append([]byte(nil), b...)
	return len(b), nil
}

func (s socket) SetReadDeadline(time.Time) error { return s.c.close() }

// bench is a line with a slave behind a cable. Call inside a synctest bubble.
func bench(t *testing.T, def model.Line, bank slave.Bank, pace slave.Pace, faults slave.Faults) *Line {
	t.Helper()
	c := newCable()
	if observer, ok := bank.(interface{ sent(frame []byte) }); ok {
		c.sent = observer.sent
	}
	l := New(def)
	l.memory.begun = true // the first silence is for tests of its own
	l.dial = func(context.Context) (exchange, error) { return newWire(def, c, l.tally, l.memory), nil }
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- slave.ServeRTU(ctx, socket{c}, bank, pace, faults) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Errorf("slave: %v", err)
		}
		if err := l.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return l
}

// numbers is a bank in which every register of units 1 to 3 holds a value
// that no other register holds.
func numbers() *slave.Registers {
	r := &slave.Registers{}
	for unit := byte(1); unit <= 3; unit++ {
		for a := range uint16(300) {
			r.Set(unit, model.HoldingRegisters, a, number(unit, a))
			r.Set(unit, model.InputRegisters, a, ^number(unit, a))
			r.Set(unit, model.Coils, a, number(unit, a)>>3&1)
			r.Set(unit, model.DiscreteInputs, a, number(unit, a)>>4&1)
		}
	}
	return r
}

func number(unit byte, address uint16) uint16 { return uint16(unit)<<12 + address*7 + 1 }

// flood0 sends zeros without end, one for each character's time.
func flood0(ctx context.Context, c *cable) {
	for ctx.Err() == nil {
		c.toLine <- []byte{0}
		time.Sleep(573 * time.Microsecond)
	}
}
