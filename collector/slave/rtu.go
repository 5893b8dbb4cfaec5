package slave

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"os"
	"syscall"
	"time"
)

// ServeRTU answers the questions that come in on port until ctx ends (nil),
// the port is closed (nil) or fails. Questions are told apart by silence and
// checksum. They queue while an answer is under way, as in a device that is
// slow but deaf to nothing. A pseudo-terminal that nobody has open is waited
// for.
func ServeRTU(ctx context.Context, port io.ReadWriter, bank Bank, pace Pace, faults Faults) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	in := make(chan chunk, 64)
	failed := make(chan error, 1)
	go func() {
		failed <- listen(ctx, port, in)
		close(in)
	}()
	unhook := context.AfterFunc(ctx, func() { interrupt(port) })
	defer unhook()
	s := &rtu{ears: ears{in: in, pace: pace}, out: newWriter(port, pace), bank: bank, faults: faults}
	err := s.serve(ctx)
	stop()
	interrupt(port)
	if heard := <-failed; err == nil {
		err = heard
	}
	return ended(err)
}

// interrupt ends a blocked read.
func interrupt(port io.ReadWriter) {
	if d, ok := port.(interface{ SetReadDeadline(time.Time) error }); ok {
		_ = d.SetReadDeadline(time.Now()) // a closed port needs none
	}
}

// ended turns the ordinary ends into nil.
func ended(err error) error {
	for _, ordinary := range []error{context.Canceled, context.DeadlineExceeded, os.ErrClosed, net.ErrClosed, io.EOF, io.ErrClosedPipe, os.ErrDeadlineExceeded} {
		if errors.Is(err, ordinary) {
			return nil
		}
	}
	return err
}

type chunk struct {
	at    time.Time
	bytes []byte
}

// listen stamps what comes in.
func listen(ctx context.Context, port io.Reader, in chan<- chunk) error {
	buf := make([]byte, 512)
	for {
		n, err := port.Read(buf)
		if n > 0 {
			select {
			case in <- chunk{time.Now(), append([]byte(nil), buf[:n]...)}:
			case <-ctx.Done():
				return nil
			}
		}
		switch {
		case errors.Is(err, syscall.EIO) && ctx.Err() == nil: // nobody has the terminal open
			time.Sleep(5 * time.Millisecond)
		case err != nil:
			return err
		}
	}
}

// ears cut the stream of bytes into frames.
type ears struct {
	in    <-chan chunk
	pace  Pace
	buf   []byte
	first time.Time // arrival of the frame's first byte
	end   time.Time // when the last byte was through on the wire
	held  *chunk    // belongs to the next frame
}

// frame returns the next run of bytes that silence or length ends; false when
// no more will come.
func (e *ears) frame(ctx context.Context) ([]byte, bool) {
	e.buf = nil
	if e.held != nil {
		c := *e.held
		e.held = nil
		e.take(c)
	}
	for !whole(e.buf) {
		var quiet <-chan time.Time
		if len(e.buf) > 0 {
			t := time.NewTimer(time.Until(e.end.Add(e.pace.silence())))
			defer t.Stop()
			quiet = t.C
		}
		select {
		case <-ctx.Done():
			return nil, false
		case c, ok := <-e.in:
			if !ok {
				return nil, false
			}
			if len(e.buf) > 0 && c.at.Sub(e.end) >= e.pace.silence() {
				e.held = &c
				return e.buf, true
			}
			e.take(c)
		case <-quiet:
			return e.buf, true
		}
	}
	return e.buf, true
}

func (e *ears) take(c chunk) {
	if len(e.buf) == 0 {
		e.first, e.end = c.at, c.at
	}
	if c.at.After(e.end) {
		e.end = c.at
	}
	e.end = e.end.Add(time.Duration(len(c.bytes)) * e.pace.character())
	e.buf = append(e.buf, c.bytes...)
}

type rtu struct {
	ears   ears
	out    writer
	bank   Bank
	faults Faults
	count  int
	began  time.Time // when the last answer began
	last   time.Time // when the wire fell silent
}

func (s *rtu) serve(ctx context.Context) error {
	for {
		request, ok := s.ears.frame(ctx)
		if !ok {
			return ctx.Err()
		}
		if err := s.handle(ctx, request); err != nil {
			return err
		}
	}
}

// handle answers one run of bytes.
func (s *rtu) handle(ctx context.Context, request []byte) error {
	var quiet time.Duration
	if !s.last.IsZero() {
		quiet = s.ears.first.Sub(s.last)
	}
	// A question put before a late answer began is not too early; the answer is
	// too late.
	early := !s.last.IsZero() && quiet < s.out.pace.silence() && !s.ears.first.Before(s.began)
	s.began, s.last = s.ears.first, s.ears.end
	if !valid(request) {
		s.faults.Log.recordGarbage()
		return nil
	}
	r := describe(request[0], request[1:len(request)-2])
	r.Number, r.Quiet = s.count, quiet
	s.count++
	s.faults.Log.record(r, request[1:len(request)-2], early)
	if early && s.out.pace.Strict {
		return nil
	}
	return s.answer(ctx, request, r)
}

// describe reads address and count where the function has them.
func describe(unit byte, pdu []byte) Request {
	r := Request{Unit: unit, Function: pdu[0]}
	if len(pdu) >= 5 {
		r.Address, r.Count = binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])
	}
	return r
}

func (s *rtu) answer(ctx context.Context, request []byte, r Request) error {
	pdu := answer(s.bank, r.Unit, request[1:len(request)-2], 0)
	if pdu == nil {
		return nil
	}
	fault := s.faults.next(r)
	if fault.Kind == TooMany {
		pdu = answer(s.bank, r.Unit, request[1:len(request)-2], 8)
	}
	at := s.ears.end.Add(s.out.pace.Turnaround)
	if s.out.pace.Baud > 0 {
		at = at.Add(s.out.pace.silence())
	}
	if fault.Kind == Echo {
		if _, err := s.out.write(ctx, request, s.ears.first); err != nil {
			return err
		}
	}
	s.began = at.Add(fault.Delay)
	for _, p := range pieces(fault, request, frame(r.Unit, pdu), s.out.pace.silence()) {
		var err error
		if at, err = s.out.write(ctx, p.bytes, at.Add(p.pause)); err != nil {
			return s.gone(err)
		}
		s.last = at
	}
	return nil
}

// gone forgives an answer to a terminal that was closed meanwhile.
func (s *rtu) gone(err error) error {
	if errors.Is(err, syscall.EIO) {
		return nil
	}
	return err
}
