package slave

import (
	"context"
	"io"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// Pace says how fast a serial slave is. The zero value answers at once.
type Pace struct {
	Baud       int           // bit/s; 0 means unpaced: bytes take no time
	Bits       int           // bits of one character; 0 means 11
	Turnaround time.Duration // from the end of the silent interval to the answer's first bit
	Strict     bool          // ignore questions that come before t3.5, as some devices do
	// Chunk and Tail are those of a USB adapter: bytes are handed over in
	// packets of Chunk, the last one Tail late. 0 means byte by byte.
	Chunk int
	Tail  time.Duration
}

// character is the time one byte takes.
func (p Pace) character() time.Duration {
	bits := p.Bits
	if bits == 0 {
		bits = 11
	}
	if p.Baud == 0 {
		return 0
	}
	return time.Duration(bits) * time.Second / time.Duration(p.Baud)
}

// silence is t3.5 by the serial guide v1.02, clause 2.5.1.1; an unpaced slave
// takes 2 ms, enough for two writes of one frame to be taken together.
func (p Pace) silence() time.Duration {
	switch {
	case p.Baud == 0:
		return 2 * time.Millisecond
	case p.Baud > 19200:
		return 1750 * time.Microsecond
	}
	return 7 * 11 * time.Second / time.Duration(2*p.Baud)
}

// writer puts bytes on the wire at their time.
type writer struct {
	port io.Writer
	pace Pace
	real bool // a real file: runtime timers, good to 1 ms, are too coarse
}

func newWriter(port io.Writer, pace Pace) writer {
	_, real := port.(*os.File)
	return writer{port, pace, real}
}

// write sends b, its first bit at start, and returns the time of its last.
// Every byte has its own absolute time, so lateness does not add up.
func (w writer) write(ctx context.Context, b []byte, start time.Time) (time.Time, error) {
	tc := w.pace.character()
	step := max(w.pace.Chunk, 1)
	if tc == 0 {
		step = max(len(b), 1)
	}
	for i := 0; i < len(b); i += step {
		end := min(i+step, len(b))
		due := start.Add(time.Duration(end) * tc)
		if end == len(b) {
			due = due.Add(w.pace.Tail)
		}
		if err := w.until(ctx, due); err != nil {
			return due, err
		}
		if _, err := w.port.Write(b[i:end]); err != nil {
			return due, err
		}
	}
	return start.Add(time.Duration(len(b))*tc + w.pace.Tail), nil
}

// until waits for a time, or for the end of ctx.
func (w writer) until(ctx context.Context, due time.Time) error {
	coarse := time.Until(due)
	if w.real {
		coarse -= 2 * time.Millisecond
	}
	if coarse > 0 {
		t := time.NewTimer(coarse)
		defer t.Stop()
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-t.C:
		}
	}
	for w.real {
		left := time.Until(due)
		if left <= 0 {
			break
		}
		ts := unix.NsecToTimespec(int64(left))
		_ = unix.Nanosleep(&ts, nil) // an early return only goes round again
	}
	return ctx.Err()
}
