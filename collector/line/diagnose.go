package line

import (
	"fmt"
	"time"

	"tickover/model"
)

const (
	silentHint  = "is the unit powered, wired, and set to this unit number, baud and parity?"
	garbageHint = "garbage comes of another baud or parity, of A and B exchanged, or of a line without bias and termination"
)

// diagnose names what came instead of an answer.
func diagnose(q question, h *reception, timeout time.Duration) error {
	e := &model.ReadError{Request: q.String()}
	switch other := frames(h.buf); {
	case len(h.buf) == 0 && h.echoed:
		e.Cause, e.Detail = model.NoAnswer, fmt.Sprintf("only the own request came back within %s", timeout)
		e.Hint = "the adapter echoes what it sends; " + silentHint
	case len(h.buf) == 0:
		e.Cause, e.Detail, e.Hint = model.NoAnswer, fmt.Sprintf("nothing came within %s", timeout), silentHint
	case len(h.buf) > flood:
		return neverIdle(q, h.buf)
	case len(other) > 0:
		e.Cause = model.ForeignAnswer
		e.Detail, e.Hint = describe(other[len(other)-1], h.want)
		e.Detail += ": " + dump(h.buf)
	case begun(h.buf, h.want):
		e.Cause, e.Detail = model.CorruptAnswer, "the answer is cut short or damaged: "+dump(h.buf)
		e.Hint = "look at termination, shield and the distance to power cables"
	default:
		e.Cause, e.Detail, e.Hint = model.CorruptAnswer, "garbage: "+dump(h.buf), garbageHint
	}
	return e
}

// describe says how a good frame differs from the one wanted.
func describe(f found, want shape) (detail, hint string) {
	switch {
	case f.unit != want.unit:
		return fmt.Sprintf("a valid frame of unit %d came", f.unit), "two masters on the line, or two units with exchanged numbers?"
	case f.function != want.function:
		return fmt.Sprintf("function %02X was answered for %02X", f.function, want.function), "the unit breaks the protocol: try the other register table"
	}
	return fmt.Sprintf("wrong length: %d data bytes came for %d", f.bytes, want.bytes),
		"a late answer to another question, or two units with one number"
}

func neverIdle(q question, b []byte) error {
	return &model.ReadError{Cause: model.CorruptAnswer, Request: q.String(), Detail: "the line is never idle: " + dump(b),
		Hint: "a unit or an adapter sends without end: unplug the units one by one"}
}

func cancelled(q question, err error) error {
	return &model.ReadError{Cause: model.NoAnswer, Request: q.String(), Detail: "given up before an answer came", Err: err}
}

// dump writes the first 64 bytes in hex.
func dump(b []byte) string {
	if len(b) <= 64 {
		return fmt.Sprintf("% X", b)
	}
	return fmt.Sprintf("% X ... (%d bytes)", b[:64], len(b))
}
