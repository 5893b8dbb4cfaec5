package line

import (
	"bytes"
	"context"
	"time"

	"tickover/model"
)

// reception is one wait for an answer.
type reception struct {
	want      shape
	sent      []byte
	began     time.Time // when sending began
	end       time.Time // of the request on the wire
	buf       []byte
	echoed    bool
	paced     bool
	inRequest int // bytes that came while the request was still on its way
	before    int // bytes that cannot be of the answer
	sorted    int // bytes whose frames were looked at by settle
	// instant says that answers may come before the request is through, as
	// they do where bytes take no time. Until that is known, such an answer
	// is early: another one that comes after it is the right one.
	instant     bool
	early       found
	unsolicited int  // frames that no question asked for
	wrong       bool // one of them is the asked unit's
	preceded    bool // it came before the request was through, and is not just a copy
	// previous is the unit's answer to another question just before: a copy
	// of it may be that answer coming twice, and counts as early as well.
	previous []byte
	first    time.Time
}

// take adds bytes and looks for the answer.
func (h *reception) take(b []byte) (found, bool) {
	if len(h.buf) == 0 {
		h.first = time.Now()
	}
	h.buf = append(h.buf, b...)
	// An echo goes first: that of a bit read can look like its own answer.
	if i := bytes.Index(h.buf, h.sent); i >= 0 && !h.echoed {
		h.echoed = true
		h.buf = append(h.buf[:i:i], h.buf[i+len(h.sent):]...)
		h.before, h.sorted, h.inRequest = min(h.before, i), min(h.sorted, i), min(h.inRequest, i)
	} else if time.Now().Before(h.end) {
		h.inRequest = len(h.buf)
	}
	if h.paced {
		h.before = max(h.before, h.inRequest) // no unit answers what it has not heard
	}
	f, ok := seek(h.buf[h.before:], h.want)
	f.start, f.end = f.start+h.before, f.end+h.before
	preceded := f.start < h.inRequest && !h.instant
	if ok && (preceded || bytes.Equal(h.buf[f.start:f.end], h.previous)) {
		h.early, h.before, h.preceded = f, f.end, preceded
		return found{}, false
	}
	return f, ok
}

// missing is how many bytes are known to be still to come: of the answer's
// head, then of the answer.
func (h *reception) missing() int {
	switch {
	case len(h.buf) == 0 || h.buf[0] != h.want.unit:
		return 0
	case len(h.buf) < 3:
		return 3 - len(h.buf)
	case h.buf[1] == h.want.function && int(h.buf[2]) == h.want.bytes:
		return h.want.length() - len(h.buf)
	}
	return 0
}

// enoughEarly is how many early answers show that a line's bytes take no time.
const enoughEarly = 3

// listen waits for the answer past anything else that comes, to the deadline.
// A unit whose late answers come in meanwhile is alive and answers in order:
// it is given twice the time it was seen to take, and more while it owes others.
func (w *wire) listen(
	ctx context.Context, q question, h *reception, timeout time.Duration,
) (found, error) {
	gap := pause + 64*w.tc
	deadline := h.end.Add(timeout)
	hard := deadline.Add(gap + 2*maxFrame*w.tc)
	for {
		if err := ctx.Err(); err != nil {
			return found{}, cancelled(q, err)
		}
		left := time.Until(w.until(h, deadline, hard, gap))
		// A last look when time is up: it may be this program that was late.
		n, err := w.port.read(w.buf[:], min(max(left, 0), slice))
		switch {
		case err != nil:
			return found{}, err
		case n == 0 && left <= 0 && h.early.end > 0:
			return w.settleFor(q, h)
		case n == 0 && left <= 0, len(h.buf) > flood:
			return found{}, diagnose(q, h, timeout)
		case n == 0:
			continue
		}
		w.last = time.Now()
		if f, ok := h.take(w.buf[:n]); ok {
			return f, nil
		}
		if late := w.settle(h, found{}, false); late > 0 {
			wait := w.limit(q) + longest
			if !w.memory.owes(q.Unit) {
				wait = min(2*late, wait)
			}
			deadline = later(deadline, w.last.Add(wait))
			hard = later(hard, deadline.Add(gap+2*maxFrame*w.tc))
		}
		w.sleepThrough(ctx, w.last.Add(time.Duration(h.missing()-1)*w.tc))
	}
}

// settleFor takes an early answer that nothing came behind, at the second try.
func (w *wire) settleFor(q question, h *reception) (found, error) {
	if w.doubting {
		return found{}, &model.ReadError{Cause: model.ForeignAnswer, Request: q.String(),
			Detail: "an answer came that may be the last one over again: " + dump(h.buf),
			Hint:   "a unit or a gateway sends its answers twice"}
	}
	if h.preceded {
		w.earlyAnswers++
	}
	return h.early, nil
}

// until is how long to go on listening after what was heard.
func (w *wire) until(h *reception, deadline, hard time.Time, gap time.Duration) time.Time {
	switch rest := h.buf[h.sorted:]; {
	case h.early.end > 0:
		wait := max(pause, slack*w.memory.habit(h.want.unit).slowest())
		return earlier(deadline, h.end.Add(wait+time.Duration(h.want.length())*w.tc))
	case h.wrong: // this was its answer, unless it was the last one over again
		wait := max(gap, slack*w.memory.habit(h.want.unit).slowest())
		return earlier(deadline, w.last.Add(wait))
	case len(rest) == 0:
		return deadline
	case begun(rest, h.want):
		return earlier(hard, w.last.Add(gap+time.Duration(h.missing())*w.tc))
	}
	return earlier(hard, later(deadline, w.last.Add(gap)))
}

// sleepThrough sleeps through bytes that are known to be under way, so that an answer
// wakes the processor a few times and not once for each byte.
func (w *wire) sleepThrough(ctx context.Context, until time.Time) {
	for ctx.Err() == nil {
		left := time.Until(until)
		if left <= 0 {
			return
		}
		w.port.pause(min(left, slice))
	}
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}
