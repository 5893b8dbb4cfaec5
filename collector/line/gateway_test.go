package line

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"tickover/collector"
	"tickover/collector/slave"
	"tickover/model"
)

// impatience is the timeout of tests in which answers do not come. Others wait
// longer, for a busy machine may take a while to give them.
const impatience = 60 * time.Millisecond

// newGatewayLine serves a bank by Modbus TCP and gives a line to it.
func newGatewayLine(t *testing.T, next func(slave.Request) slave.Fault) (*Line, *slave.Log) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	log := &slave.Log{}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- slave.ServeTCP(ctx, listener, numbers(), slave.Faults{Next: next, Log: log}) }()
	l := New(model.Line{Name: "net", Kind: model.TCPLine, Address: listener.Addr().String(), Timeout: 10 * time.Second})
	t.Cleanup(func() {
		l.Close()
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if v := log.Violations(); len(v) > 0 {
			t.Errorf("not a read: %v", v)
		}
	})
	return l, log
}

// TestGatewayFaults is the fault matrix over Modbus TCP.
func TestGatewayFaults(t *testing.T) {
	for _, c := range []struct {
		fault slave.Fault
		cause model.Cause
	}{
		{slave.Fault{}, model.NoCause},
		{slave.Fault{Kind: slave.ForeignBefore}, model.NoCause},
		{slave.Fault{Kind: slave.Twice}, model.NoCause},
		{slave.Fault{Kind: slave.WrongUnit, Value: 255}, model.NoCause}, // some gateways' habit
		{slave.Fault{Kind: slave.WrongUnit}, model.ForeignAnswer},
		{slave.Fault{Kind: slave.WrongFunction}, model.ForeignAnswer},
		{slave.Fault{Kind: slave.TooMany}, model.ForeignAnswer},
		{slave.Fault{Kind: slave.Lost}, model.NoAnswer},
		{slave.Fault{Kind: slave.Late, Delay: 160 * time.Millisecond}, model.NoAnswer},
		{slave.Fault{Kind: slave.ExceptionFault}, model.DeviceException},
		{slave.Fault{Kind: slave.Hangup}, model.NoAnswer},
	} {
		t.Run(c.fault.Kind.String(), func(t *testing.T) {
			l, _ := newGatewayLine(t, func(r slave.Request) slave.Fault {
				if r.Address%4 == 1 {
					return c.fault
				}
				return slave.Fault{}
			})
			if c.cause == model.NoAnswer {
				l.def.Timeout = impatience
			}
			for i := range uint16(12) {
				err := ask(t, l, i)
				if i%4 != 1 {
					if err != nil && !strings.Contains(err.Error(), "nothing came") { // behind a late one
						t.Errorf("%d: %v", i, err)
					}
					continue
				}
				var read *model.ReadError
				if c.cause == model.NoCause && err != nil || c.cause != model.NoCause && (!errors.As(err, &read) || read.Cause != c.cause || read.Hint == "") {
					t.Errorf("%d: got %v, want cause %v", i, err, c.cause)
				}
			}
		})
	}
}

// TestGatewayExceptions tells a gateway without a way from a silent unit.
func TestGatewayExceptions(t *testing.T) {
	code := byte(0x0A)
	l, _ := newGatewayLine(t, func(slave.Request) slave.Fault { return slave.Fault{Kind: slave.ExceptionFault, Value: code} })
	hints := map[byte]string{0x0A: "no way to this unit", 0x0B: "unit behind it is silent"}
	for _, code = range []byte{0x0A, 0x0B} {
		var read *model.ReadError
		if err := ask(t, l, 0); !errors.As(err, &read) || read.Exception != code || !strings.Contains(read.Hint, hints[code]) {
			t.Errorf("%02X: got %+v", code, read)
		}
		if l.Health().Exceptions[code] != 1 {
			t.Errorf("health %+v", l.Health())
		}
	}
}

// TestIdleConnectionDropped is mended by one more try, without an error.
func TestIdleConnectionDropped(t *testing.T) {
	l, _ := newGatewayLine(t, func(r slave.Request) slave.Fault {
		if r.Number == 2 { // of each connection
			return slave.Fault{Kind: slave.Hangup}
		}
		return slave.Fault{}
	})
	for i := range uint16(12) {
		if err := ask(t, l, i); err != nil {
			t.Errorf("%d: %v", i, err)
		}
	}
	if h := l.Health(); h.Reopened != 5 || h.Retries != 5 {
		t.Errorf("health %+v", h)
	}
}

// TestDeafGateway takes connections and never says a word: each question has
// no answer, every third one ends the connection, and says that it may be the
// gateway.
func TestDeafGateway(t *testing.T) {
	l, _ := newGatewayLine(t, func(slave.Request) slave.Fault { return slave.Fault{Kind: slave.Lost} })
	l.def.Timeout = impatience
	for i := range uint16(2 * deaf) {
		var read *model.ReadError
		err := ask(t, l, i)
		if !errors.As(err, &read) || read.Cause != model.NoAnswer {
			t.Fatalf("%d: %v", i, err)
		}
		if last := i%deaf == deaf-1; errors.Is(err, errDeaf) != last || strings.Contains(read.Hint, "one client only") != last {
			t.Errorf("%d: %v (%s)", i, err, read.Hint)
		}
	}
	if h := l.Health(); h.Reopened != 1 || h.NoAnswers != 2*deaf {
		t.Errorf("health %+v", h)
	}
}

// TestDeadUnitsBehindAGateway has three units behind one that says nothing of
// them, or hangs up, asked before and more often than the fourth, which answers:
// it is read all the same.
func TestDeadUnitsBehindAGateway(t *testing.T) {
	for _, kind := range []slave.FaultKind{slave.Lost, slave.Hangup} {
		t.Run(kind.String(), func(t *testing.T) {
			l, _ := newGatewayLine(t, func(r slave.Request) (f slave.Fault) {
				if r.Unit > 10 {
					f.Kind = kind
				}
				return f
			})
			soundBeside(t, l)
		})
	}
	t.Run("hang-up, rtu over tcp", func(t *testing.T) {
		l := newPassing(t, func(conn net.Conn, r slave.Request) slave.Fault {
			if r.Unit > 10 {
				conn.Close()
			}
			return slave.Fault{}
		})
		soundBeside(t, l)
		if h := l.Health(); h.Reopened == 0 {
			t.Errorf("nothing hung up: %+v", h)
		}
	})
}

func soundBeside(t *testing.T, l *Line) {
	t.Helper()
	l.def.Timeout = impatience
	var devices []model.Device
	for i, unit := range []byte{11, 12, 13, 2} {
		devices = append(devices, oneRegister([]string{"first", "second", "third", "sound"}[i], "net", unit))
		devices[i].Every = 50 * time.Millisecond
	}
	devices[3].Every = 100 * time.Millisecond
	ctx, stop := context.WithTimeout(t.Context(), 30*time.Second)
	defer stop()
	k := &keepUntil{keeper{good: map[string]int{}, bad: map[string]int{}}, stop}
	began := time.Now()
	collector.New(collector.Parts{Setup: model.Setup{Lines: []model.Line{l.def}, Devices: devices}, Lines: map[string]collector.Line{"net": l},
		Judge: calm{}, Keep: k, Log: slog.New(slog.DiscardHandler), Derive: func(*model.Scan) *model.StateChange { return nil },
		Now: func() model.Instant { return model.Instant{Boot: 1, Offset: time.Since(began) + time.Second} }}).Run(ctx)
	if k.good["sound/100ms"] < enoughGood {
		t.Errorf("good %v, bad %v, %+v", k.good, k.bad, l.Health())
	}
}

// enoughGood is how many good rounds keepUntil waits for.
const enoughGood = 5

// keepUntil stops when one group had enough good rounds.
type keepUntil struct {
	keeper
	stop func()
}

func (k *keepUntil) Hand(s *model.Scan, events []model.Event) error {
	err := k.keeper.Hand(s, events)
	if k.good[s.Group] >= enoughGood {
		k.stop()
	}
	return err
}

func TestNobodyListens(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := listener.Addr().String()
	listener.Close()
	l := New(model.Line{Kind: model.TCPLine, Address: address})
	defer l.Close()
	wantClosed(t, l.Open(t.Context()), unix.ECONNREFUSED, "nothing listens")
}
