package line

import (
	"context"
	"net"
	"sync"
	"testing"
	"time"

	"tickover/collector/slave"
	"tickover/model"
)

// serve gives each connection that is made to the address to talk.
func serve(t *testing.T, talk func(conn net.Conn)) (address string) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var open sync.WaitGroup
	open.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			open.Go(func() {
				defer conn.Close()
				talk(conn)
			})
		}
	})
	t.Cleanup(func() { listener.Close(); open.Wait() })
	return listener.Addr().String()
}

// newPassing serves units 1 to 3 and 11 to 13 by RTU frames over TCP and gives a
// line to them.
func newPassing(t *testing.T, next func(conn net.Conn, r slave.Request) slave.Fault) *Line {
	t.Helper()
	bank := numbers()
	for unit := byte(11); unit <= 13; unit++ {
		bank.Set(unit, model.HoldingRegisters, 0, 1)
	}
	address := serve(t, func(conn net.Conn) {
		faults := slave.Faults{Next: func(r slave.Request) slave.Fault { return next(conn, r) }}
		if err := slave.ServeRTU(context.Background(), conn, bank, slave.Pace{}, faults); err != nil {
			t.Error(err)
		}
	})
	l := New(model.Line{Name: "net", Kind: model.RTUOverTCP, Address: address, Timeout: 10 * time.Second})
	t.Cleanup(func() { l.Close() })
	return l
}

// TestRTUOverTCP reads through a gateway that passes RTU frames.
func TestRTUOverTCP(t *testing.T) {
	l := newPassing(t, func(net.Conn, slave.Request) slave.Fault { return slave.Fault{} })
	for i := range uint16(10) {
		if err := ask(t, l, i); err != nil {
			t.Error(err)
		}
	}
}
