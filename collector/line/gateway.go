package line

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"time"

	"github.com/goburrow/modbus"

	"tickover/model"
)

const (
	mbap = 7 // bytes of the Modbus TCP header with the unit
	// deaf is how many questions in a row may hear nothing at all before the
	// connection is made again for the next one: a gateway that lost power says
	// no goodbye. The line does not count as closed then, for it may be that
	// just the units asked are dead, and the others are to be asked.
	deaf = 3
)

var (
	errStream = errors.New("what came is not Modbus TCP")
	errDeaf   = errors.New("the gateway took several questions and said nothing")
)

// gateway speaks Modbus TCP over one connection.
type gateway struct {
	port     port
	tally    *tally
	packager *modbus.TCPClientHandler
	timeout  time.Duration
	id       uint16 // of the last question; late answers carry an older one
	rest     []byte // read, not yet a whole frame; kept between questions
	unheard  int    // questions in a row without a byte
	last     time.Time
}

func newGateway(def model.Line, conn net.Conn, t *tally) *gateway {
	return &gateway{port: netPort{conn}, tally: t, packager: modbus.NewTCPClientHandler(""), timeout: def.ResponseTimeout()}
}

func (g *gateway) close() error { return g.port.close() }

func (g *gateway) ask(ctx context.Context, q question) ([]byte, time.Duration, error) {
	doze(ctx, q.MinGap-time.Since(g.last))
	g.packager.SlaveId = q.Unit
	adu, err := g.packager.Encode(request(q))
	if err != nil {
		return nil, 0, err
	}
	g.id++
	binary.BigEndian.PutUint16(adu, g.id) // one count for all units of the connection
	if err := readOnly(adu[mbap:]); err != nil {
		return nil, 0, err
	}
	if err := g.port.write(adu); err != nil {
		return nil, 0, err
	}
	start := time.Now()
	frame, err := g.listen(ctx, q, start)
	g.last = time.Now()
	g.tally.asked(q.Unit, g.last.Sub(start))
	g.tally.waits(q.Unit, g.limit(q))
	if err == nil {
		err = g.fits(q, adu, frame)
	}
	if err != nil {
		g.tally.failed(q.Unit, err)
		return nil, 0, err
	}
	g.tally.answered(q.Unit, frame[mbap:])
	g.tally.latency(q.Unit, g.last.Sub(start))
	return frame[mbap:], g.last.Sub(start), nil
}

// doze sleeps, or not, when the context ends.
func doze(ctx context.Context, d time.Duration) {
	if d < time.Millisecond {
		return
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// limit is how long to wait for an answer. Nothing is learned here: how long
// the gateway itself waits for its units is its own setting.
func (g *gateway) limit(q question) time.Duration {
	if q.Timeout > 0 {
		return q.Timeout
	}
	return g.timeout
}

// listen waits for the frame that carries the question's transaction and
// drops others.
func (g *gateway) listen(ctx context.Context, q question, start time.Time) ([]byte, error) {
	timeout := g.limit(q)
	heard := false
	var buf [maxFrame + mbap]byte
	for {
		for {
			frame, err := g.cut()
			if err != nil {
				return nil, err
			}
			if frame == nil {
				break
			}
			if binary.BigEndian.Uint16(frame) == g.id {
				g.unheard = 0
				return frame, nil
			}
			g.tally.late(q.Unit)
		}
		if err := ctx.Err(); err != nil {
			return nil, cancelled(q, err)
		}
		left := time.Until(start.Add(timeout))
		if left <= 0 {
			return nil, g.unanswered(q, heard, timeout)
		}
		n, err := g.port.read(buf[:], min(left, slice))
		if err != nil {
			return nil, err
		}
		heard = heard || n > 0
		g.rest = append(g.rest, buf[:n]...)
	}
}

// unanswered is a timeout; several without a byte give errDeaf as well, and end
// the connection.
func (g *gateway) unanswered(q question, heard bool, timeout time.Duration) error {
	g.unheard++
	if heard {
		g.unheard = 0
	}
	e := &model.ReadError{Cause: model.NoAnswer, Request: q.String(), Detail: fmt.Sprintf("nothing came within %s", timeout),
		Hint: silentHint + " The gateway's own timeout must be shorter than this one"}
	if g.unheard >= deaf && !q.Once { // who asks once looks for units that may not be there
		e.Err = errDeaf
		e.Hint += ". If no unit answers: does it allow one client only, and has it one already?"
	}
	return e
}

// cut takes the first whole frame off the stream, nil when there is none.
func (g *gateway) cut() ([]byte, error) {
	if len(g.rest) < mbap {
		return nil, nil
	}
	length := int(binary.BigEndian.Uint16(g.rest[4:]))
	if binary.BigEndian.Uint16(g.rest[2:]) != 0 || length < 3 || length > 254 {
		return nil, errStream
	}
	if len(g.rest) < 6+length {
		return nil, nil
	}
	frame := g.rest[: 6+length : 6+length]
	g.rest = append([]byte(nil), g.rest[6+length:]...)
	return frame, nil
}

// fits checks unit, function and length of a frame of the right transaction.
// Some gateways answer as unit 0 or 255 for everybody.
func (g *gateway) fits(q question, adu, frame []byte) error {
	if frame[6] == 0 || frame[6] == 255 {
		frame[6] = q.Unit
	}
	want := shapeOf(q)
	f := found{shape: shape{frame[6], frame[mbap] &^ exceptionBit, int(frame[mbap+1])}, exception: frame[mbap]&exceptionBit != 0}
	wrong := f.unit != want.unit || f.function != want.function || !f.exception && !sized(want, frame[mbap:])
	if err := g.packager.Verify(adu, frame); err != nil || wrong {
		detail, hint := describe(f, want)
		return &model.ReadError{Cause: model.ForeignAnswer, Request: q.String(), Detail: detail + ": " + dump(frame), Hint: hint}
	}
	return nil
}

// sized reports whether a good PDU is as long as the shape says, or as it says
// itself when that is not known beforehand.
func sized(want shape, pdu []byte) bool {
	if want.function == identification {
		n, ok := identityLength(pdu)
		return ok && n == len(pdu)
	}
	return int(pdu[1]) == want.bytes && len(pdu) == 2+want.bytes
}
