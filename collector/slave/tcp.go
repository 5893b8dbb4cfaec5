package slave

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"sync"
	"time"
)

// headerLength is that of Modbus TCP's MBAP header with the unit.
const headerLength = 7

// ServeTCP answers Modbus TCP on every connection until ctx ends or the
// listener is closed (nil), or accepting fails. For RTU frames over TCP give
// an accepted connection to ServeRTU instead.
func ServeTCP(ctx context.Context, listener net.Listener, bank Bank, faults Faults) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	unhook := context.AfterFunc(ctx, func() { listener.Close() })
	defer unhook()
	var open sync.WaitGroup
	defer open.Wait()
	defer stop() // before the wait: connections end with ctx
	for {
		conn, err := listener.Accept()
		if err != nil {
			return ended(err)
		}
		open.Go(func() {
			defer conn.Close()
			unhook := context.AfterFunc(ctx, func() { conn.Close() })
			defer unhook()
			converse(ctx, conn, bank, faults)
		})
	}
}

var errHangup = errors.New("hang up")

// converse answers one connection until it ends.
func converse(ctx context.Context, conn net.Conn, bank Bank, faults Faults) {
	for n := 0; ; n++ {
		header := make([]byte, headerLength)
		if _, err := io.ReadFull(conn, header); err != nil {
			return
		}
		length := int(binary.BigEndian.Uint16(header[4:]))
		if binary.BigEndian.Uint16(header[2:]) != 0 || length < 2 || length > 254 {
			faults.Log.recordGarbage()
			return
		}
		pdu := make([]byte, length-1)
		if _, err := io.ReadFull(conn, pdu); err != nil {
			return
		}
		r := describe(header[6], pdu)
		r.Number = n
		faults.Log.record(r, pdu, false)
		if err := reply(ctx, conn, header, pdu, bank, faults.next(r)); err != nil {
			return
		}
	}
}

// reply writes the answer to one question, as the fault has it.
func reply(ctx context.Context, conn net.Conn, header, pdu []byte, bank Bank, fault Fault) error {
	extra := 0
	switch fault.Kind {
	case Hangup:
		return errHangup
	case Lost:
		return nil
	case TooMany:
		extra = 8
	}
	out := answer(bank, header[6], pdu, extra)
	if out == nil {
		return nil
	}
	if err := (writer{}).until(ctx, time.Now().Add(fault.Delay)); err != nil {
		return err
	}
	for _, b := range tcpFrames(fault, header, pdu, out) {
		if _, err := conn.Write(b); err != nil {
			return err
		}
	}
	return nil
}

// tcpFrames returns what is written in answer when out would be right.
func tcpFrames(fault Fault, header, pdu, out []byte) [][]byte {
	transaction, unit := binary.BigEndian.Uint16(header), header[6]
	good := tcpFrame(transaction, unit, out)
	switch fault.Kind {
	case ExceptionFault:
		return [][]byte{tcpFrame(transaction, unit, []byte{pdu[0] | exceptionBit, orElse(fault.Value, IllegalAddress)})}
	case Truncated:
		return [][]byte{good[:len(good)/2]}
	case WrongUnit:
		return [][]byte{tcpFrame(transaction, orElse(fault.Value, unit+1), out)}
	case WrongFunction:
		return [][]byte{tcpFrame(transaction, unit, otherFunction(out))}
	case ForeignBefore:
		return [][]byte{tcpFrame(transaction-1, unit, out), good}
	case Twice:
		return [][]byte{good, good}
	}
	return [][]byte{good}
}

func tcpFrame(transaction uint16, unit byte, pdu []byte) []byte {
	out := binary.BigEndian.AppendUint16(nil, transaction)
	out = binary.BigEndian.AppendUint16(out, 0)
	out = binary.BigEndian.AppendUint16(out, uint16(len(pdu)+1))
	return append(append(out, unit), pdu...)
}
