package line

import (
	"bytes"
	"context"
	"time"

	"github.com/goburrow/modbus"

	"tickover/model"
)

const (
	// early is how long before the known end of an answer the line wakes up:
	// more than the 1 ms by which Go's timers are late.
	early = 3 * time.Millisecond
	// pause is the longest silence inside a frame, beside 64 characters. Full
	// USB packets make t1.5 useless here.
	pause = 20 * time.Millisecond
	// patience bounds the wait for a line that is never silent.
	patience = 2 * time.Second
	// flood is more than any answer with all that may stand around it.
	flood = 4 * maxFrame
)

// port moves bytes. Only one goroutine uses it.
type port interface {
	// read waits for bytes, at most so long; (0, nil) when none came.
	read(b []byte, wait time.Duration) (int, error)
	write(b []byte) error
	close() error
	// paced reports whether bytes take their time on the way, as they don't
	// over a network or a pseudo-terminal.
	paced() bool
}

// wire speaks Modbus RTU over a port.
type wire struct {
	port     port
	tally    *tally
	memory   *memory
	packager *modbus.RTUClientHandler

	tc      time.Duration // one character
	gap     time.Duration // t3.5 or more
	timeout time.Duration
	last    time.Time // when the wire was last seen busy
	buf     [maxFrame]byte
}

func newWire(def model.Line, p port, t *tally, m *memory) *wire {
	// The silence before the first request is unknown: count from now.
	return &wire{port: p, tally: t, memory: m, packager: modbus.NewRTUClientHandler(""),
		tc: def.CharacterTime(), gap: def.FrameGap(), timeout: def.ResponseTimeout(), last: time.Now()}
}

func (w *wire) close() error { return w.port.close() }

func shapeOf(q model.ReadRequest) shape {
	return shape{unit: q.Unit, function: q.Table.Function(), bytes: payload(q)}
}

// ask puts the question, once more if it fails on a unit that was answering.
func (w *wire) ask(ctx context.Context, q model.ReadRequest) ([]byte, time.Duration, error) {
	if err := w.fence(ctx, q); err != nil {
		return nil, 0, err
	}
	pdu, took, err := w.try(ctx, q)
	if _, onWire := err.(*model.ReadError); onWire && !w.memory.silent[q.Unit] && ctx.Err() == nil {
		w.tally.retry()
		pdu, took, err = w.try(ctx, q)
	}
	w.memory.silent[q.Unit] = err != nil
	return pdu, took, err
}

// try puts the question once.
func (w *wire) try(ctx context.Context, q model.ReadRequest) ([]byte, time.Duration, error) {
	if err := w.idle(ctx, q); err != nil {
		return nil, 0, err
	}
	w.packager.SlaveId = q.Unit
	adu, err := w.packager.Encode(request(q))
	if err != nil {
		return nil, 0, err
	}
	start := time.Now()
	if err := w.send(adu); err != nil {
		return nil, 0, err
	}
	w.last = start.Add(time.Duration(len(adu)) * w.tc)
	h := &hearing{want: shapeOf(q), sent: adu, end: w.last, paced: w.port.paced()}
	f, err := w.listen(ctx, q, h)
	w.tally.busy(time.Since(start))
	w.sort(h.buf, f, err == nil)
	if h.echoed {
		w.tally.echo()
	}
	if err != nil {
		w.memory.add(h.want, time.Now())
		return nil, 0, err
	}
	if f.exception {
		w.memory.refused(h.want, time.Now())
	} else {
		w.memory.answered(h.want, time.Now())
	}
	frame := h.buf[f.start:f.end]
	if err := w.packager.Verify(adu, frame); err != nil {
		return nil, 0, err
	}
	return bytes.Clone(frame[1 : len(frame)-2]), w.last.Sub(h.end), nil
}

func (w *wire) send(adu []byte) error {
	if err := readOnly(adu[1]); err != nil {
		return err
	}
	return w.port.write(adu)
}

// sort settles the frames that came beside the answer: late answers.
func (w *wire) sort(b []byte, answer found, answered bool) {
	late := 0
	for _, f := range frames(b) {
		if answered && f.start == answer.start {
			continue
		}
		if w.memory.settle(f) {
			late++
		}
	}
	w.tally.late(late)
}

// idle waits until the wire has been silent long enough for q and drops what
// comes meanwhile. The silence counts from the last byte seen.
func (w *wire) idle(ctx context.Context, q model.ReadRequest) error {
	silence := max(w.gap, q.MinGap)
	giveUp := time.Now().Add(silence + patience)
	var stale []byte
	for {
		if err := ctx.Err(); err != nil {
			return cancelled(q, err)
		}
		wait := time.Until(w.last.Add(silence))
		n, err := w.port.read(w.buf[:], min(max(wait, 0), slice))
		if err != nil {
			return err
		}
		if n == 0 && wait <= slice && time.Since(w.last) >= silence {
			break
		}
		if n > 0 {
			w.last = time.Now()
			if len(stale) < flood {
				stale = append(stale, w.buf[:n]...)
			}
		}
		if time.Now().After(giveUp) && n > 0 {
			return neverIdle(q, stale)
		}
	}
	w.sort(stale, found{}, false)
	return nil
}

// hearing is one wait for an answer.
type hearing struct {
	want   shape
	sent   []byte
	end    time.Time // of the request on the wire
	buf    []byte
	echoed bool
	paced  bool
	before int // bytes that came while the request was still on its way
}

// take adds bytes and looks for the answer.
func (h *hearing) take(b []byte) (found, bool) {
	h.buf = append(h.buf, b...)
	// An echo goes first: that of a bit read can look like its own answer.
	if i := bytes.Index(h.buf, h.sent); i >= 0 && !h.echoed {
		h.echoed = true
		h.buf = append(h.buf[:i:i], h.buf[i+len(h.sent):]...)
		h.before = min(h.before, i)
	} else if h.paced && time.Now().Before(h.end) {
		h.before = len(h.buf) // nobody answers what he has not heard
	}
	f, ok := seek(h.buf[h.before:], h.want)
	f.start, f.end = f.start+h.before, f.end+h.before
	return f, ok
}

// missing is how many bytes of the answer are known to be still to come.
func (h *hearing) missing() int {
	if len(h.buf) < 3 || h.buf[0] != h.want.unit {
		return 0
	}
	if h.buf[1] == h.want.function && int(h.buf[2]) == h.want.bytes {
		return h.want.length() - len(h.buf)
	}
	return 0
}

// listen waits for the answer past anything else that comes, to the deadline.
func (w *wire) listen(ctx context.Context, q model.ReadRequest, h *hearing) (found, error) {
	gap := pause + 64*w.tc
	timeout := w.timeout
	if q.Timeout > 0 {
		timeout = q.Timeout
	}
	deadline := h.end.Add(timeout)
	hard := deadline.Add(gap + 2*maxFrame*w.tc)
	for {
		limit := deadline
		if len(h.buf) > 0 {
			limit = earlier(hard, later(deadline, w.last.Add(gap)))
			if begun(h.buf, h.want) {
				limit = earlier(hard, w.last.Add(gap))
			}
		}
		left := time.Until(limit)
		if left <= 0 || len(h.buf) > flood {
			return found{}, diagnose(q, h, timeout)
		}
		if err := ctx.Err(); err != nil {
			return found{}, cancelled(q, err)
		}
		n, err := w.port.read(w.buf[:], min(left, slice))
		if err != nil {
			return found{}, err
		}
		if n == 0 {
			continue
		}
		w.last = time.Now()
		if f, ok := h.take(w.buf[:n]); ok {
			return f, nil
		}
		doze(ctx, time.Duration(h.missing())*w.tc-early)
	}
}

// doze sleeps through bytes that are known to be under way, so that an answer
// wakes the processor a few times and not once for each byte.
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
