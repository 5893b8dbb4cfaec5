package line

import (
	"bytes"
	"context"
	"time"

	"github.com/goburrow/modbus"

	"tickover/model"
)

const (
	// early is how long before the end of a silence the line stops looking at
	// what comes and sleeps exactly: Go's timers, by which it looks, are late by
	// up to 1 ms.
	early = 5 * time.Millisecond
	// pause is the longest silence inside a frame, beside 64 characters. Full
	// USB packets make t1.5 useless here.
	pause = 20 * time.Millisecond
	// firstSilence is how long a line is listened to at most before the first
	// question of all.
	firstSilence = time.Second
	// patience bounds the wait for a line that is never silent.
	patience = 2 * time.Second
	// flood is more than any answer with all that may stand around it.
	flood = 4 * maxFrame
)

// port moves bytes. Only one goroutine uses it.
type port interface {
	// read waits for bytes, at most so long and 1 ms; (0, nil) when none came.
	read(b []byte, wait time.Duration) (int, error)
	write(b []byte) error
	close() error
	// pause sleeps so long, not less and hardly more, whatever comes meanwhile.
	pause(d time.Duration)
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

	tc       time.Duration // one character
	gap      time.Duration // t3.5 or more
	timeout  time.Duration
	last     time.Time // when the wire was last seen busy
	asked    byte      // the unit asked last, 0 for none
	previous map[byte]answer
	alone    map[byte]int // answers of a unit in a row with nothing wrong and no frame beside them
	doubting bool         // a hasty answer is asked for once more
	draining bool         // answers are counted off, whosever they are
	probing  bool         // a short read is under way, which the unit may be deaf to
	hasty    int          // answers in a row that came before the request was through, with none behind them
	buf      [maxFrame]byte
}

// answer is the last good one of a unit.
type answer struct {
	address uint16
	frame   []byte
	other   bool // it may be another question's
	again   bool // it was like the one before it, which was not like its own
}

func newWire(def model.Line, p port, t *tally, m *memory) *wire {
	// The silence before the first request is unknown: count from now.
	return &wire{port: p, tally: t, memory: m, previous: map[byte]answer{}, alone: map[byte]int{}, packager: modbus.NewRTUClientHandler(""),
		tc: def.CharacterTime(), gap: def.FrameGap(), timeout: def.ResponseTimeout(), last: time.Now()}
}

func (w *wire) close() error { return w.port.close() }

func shapeOf(q question) shape {
	return shape{unit: q.Unit, function: q.function(), bytes: payload(q)}
}

// limit is the longest wait for the first byte that the configuration allows.
func (w *wire) limit(q question) time.Duration {
	if q.Timeout > 0 {
		return q.Timeout
	}
	return w.timeout
}

// ask puts the question, once more if it fails on a unit that was answering.
// The second try waits longer than the first, and longer still when the unit may
// be at an older question and no other unit waits for the line. This question does
// not count as such: one that was lost must not cost those after it, and whether
// the unit is at it shows when the next one is put.
func (w *wire) ask(ctx context.Context, q question) ([]byte, time.Duration, error) {
	began := time.Now()
	if err := w.fence(ctx, q); err != nil {
		return nil, 0, err
	}
	wait := w.memory.habit(q.Unit).timeout(w.limit(q))
	w.doubting = w.memory.silent[q.Unit] == 0 && !q.Once && !w.spent(q, began) // there is a second try
	until := w.owed(q)
	if !w.doubting {
		wait = max(wait, time.Until(until))
	}
	pdu, took, err := w.try(ctx, q, wait)
	if _, onWire := err.(*model.ReadError); onWire && w.doubting && ctx.Err() == nil {
		w.doubting = false
		w.tally.retry(q.Unit)
		pdu, took, err = w.try(ctx, q, max(min(w.limit(q), secondTry*wait), time.Until(until)))
	}
	w.memory.failed(q.Unit, err != nil)
	w.tally.waits(q.Unit, w.memory.habit(q.Unit).timeout(w.limit(q)))
	return pdu, took, err
}

// try puts the question once.
func (w *wire) try(ctx context.Context, q question, timeout time.Duration) ([]byte, time.Duration, error) {
	if err := w.idle(ctx, q); err != nil {
		w.tally.failed(q.Unit, err)
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
	w.last, w.asked = start.Add(time.Duration(len(adu))*w.tc), q.Unit
	h := &hearing{want: shapeOf(q), sent: adu, end: w.last, paced: w.port.paced(), instant: w.hasty >= enoughHasty}
	if p := w.previous[q.Unit]; w.doubting && (p.other || p.address != q.Address) && !w.believes(p.frame) {
		h.previous = p.frame
	}
	f, err := w.listen(ctx, q, h, timeout)
	w.tally.asked(q.Unit, time.Since(start))
	w.sort(h, f, err == nil)
	if h.echoed {
		w.tally.echo(q.Unit)
	}
	if err != nil {
		w.tally.failed(q.Unit, err)
		if !h.misfit && !begun(h.buf[h.sorted:], h.want) { // else the unit has said what it had to say
			w.memory.owe(q.Unit, h.end)
		}
		w.memory.add(h.want, h.end, time.Now())
		if len(h.buf) == 0 && !w.probing {
			w.memory.clean(q.Unit, false, time.Now())
		}
		if h.hasty.end == 0 {
			w.alone[q.Unit] = 0
			w.memory.habit(q.Unit).missed()
		}
		return nil, 0, err
	}
	return w.accept(q, h, f)
}

// accept takes note of a good answer and gives its PDU.
func (w *wire) accept(q question, h *hearing, f found) ([]byte, time.Duration, error) {
	frame, last := h.buf[f.start:f.end], w.previous[q.Unit]
	again := bytes.Equal(frame, last.frame) && !last.again // what comes three times is no answer sent twice
	if f.exception {
		proof := proves(frame[2])
		if again {
			proof = copied
		}
		w.memory.refused(h.want, proof, h.end, time.Now())
	} else {
		w.memory.answered(h.want, h.end, time.Now())
		w.memory.learn(q)
	}
	delay := max(h.first.Sub(h.end), 0)
	w.memory.habit(q.Unit).heard(delay)
	w.tally.latency(q.Unit, delay)
	w.previous[q.Unit] = answer{address: q.Address, frame: frame, other: w.draining, again: again}
	w.alone[q.Unit]++
	w.memory.clean(q.Unit, true, time.Now())
	if err := w.packager.Verify(h.sent, frame); err != nil {
		return nil, 0, err
	}
	w.tally.answered(q.Unit, frame[1:])
	return bytes.Clone(frame[1 : len(frame)-2]), w.last.Sub(h.end), nil
}

func (w *wire) send(adu []byte) error {
	if err := readOnly(adu[1:]); err != nil {
		return err
	}
	return w.port.write(adu)
}

// sort takes note of what came beside the answer: late answers, frames that
// nobody asked for, stray bytes.
func (w *wire) sort(h *hearing, answer found, answered bool) {
	w.settle(h, answer, answered)
	if h.hasty.end > 0 && h.hasty.start != answer.start {
		h.strangers++ // the last answer over again
		if answered {
			w.alone[h.want.unit] = 0
		}
	}
	if answered {
		w.tally.foreign(h.want.unit, h.strangers)
	}
	if answered && stray(h.buf, append(frames(h.buf[answer.end:]), frames(h.buf[:answer.start])...)) > answer.end-answer.start {
		w.tally.ghost(h.want.unit)
	}
}

// settle looks at the frames that came since it last did and returns how late
// the latest of them was; 0 when none was late.
func (w *wire) settle(h *hearing, answer found, answered bool) (lateness time.Duration) {
	from := h.sorted
	for _, f := range frames(h.buf[from:]) {
		h.sorted = from + f.end
		if at := from + f.start; answered && at == answer.start || !answered && h.hasty.end > 0 && at == h.hasty.start {
			continue
		}
		w.hasty, w.alone[f.unit] = 0, 0
		w.memory.clean(f.unit, false, time.Now())
		asked, late := w.memory.settle(f, time.Now())
		switch {
		case late:
			lateness = time.Since(asked)
			w.memory.habit(f.unit).heard(lateness)
			w.tally.late(f.unit)
		default:
			h.strangers++
			h.misfit = h.misfit || f.unit == h.want.unit
		}
	}
	return lateness
}

// idle waits until the wire has been silent long enough for q and drops what
// comes meanwhile. The silence counts from the last byte seen.
func (w *wire) idle(ctx context.Context, q question) error {
	silence := max(w.gap, q.MinGap)
	if !w.memory.begun { // what was asked before this program began may be answered yet
		silence = max(silence, min(w.limit(q), firstSilence))
	}
	giveUp := time.Now().Add(silence + patience)
	var stale []byte
	for {
		if err := ctx.Err(); err != nil {
			return cancelled(q, err)
		}
		n, err := w.quiet(time.Until(w.last.Add(silence)))
		if err != nil {
			return err
		}
		if n == 0 && time.Since(w.last) >= silence {
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
	w.memory.begun = true
	h := &hearing{want: shape{unit: w.asked}, buf: stale}
	w.settle(h, found{start: -1}, true)
	w.tally.foreign(w.asked, h.strangers)
	if stray(stale, frames(stale)) > 0 && w.asked != 0 {
		w.tally.ghost(w.asked)
	}
	return nil
}

// quiet waits for the end of a silence, or for bytes that break it. The last
// of it is slept, and what came meanwhile is found then.
func (w *wire) quiet(left time.Duration) (n int, err error) {
	n, err = w.port.read(w.buf[:], min(max(left-early, 0), slice))
	if n > 0 || err != nil || left <= 0 || left > early {
		return n, err
	}
	w.port.pause(left)
	return w.port.read(w.buf[:], 0)
}

// hearing is one wait for an answer.
type hearing struct {
	want   shape
	sent   []byte
	end    time.Time // of the request on the wire
	buf    []byte
	echoed bool
	paced  bool
	soon   int // bytes that came while the request was still on its way
	before int // bytes that cannot be of the answer
	sorted int // bytes whose frames were looked at by settle
	// instant says that answers may come before the request is through, as
	// they do where bytes take no time. Until that is known, such an answer
	// is hasty: another one that comes after it is the right one.
	instant   bool
	hasty     found
	strangers int  // frames that nobody asked for
	misfit    bool // one of them is the asked unit's
	counts    bool // it came before the request was through, and is not just a copy
	// previous is the unit's answer to another question just before: a copy
	// of it may be that answer coming twice, and is hasty as well.
	previous []byte
	first    time.Time
}

// take adds bytes and looks for the answer.
func (h *hearing) take(b []byte) (found, bool) {
	if len(h.buf) == 0 {
		h.first = time.Now()
	}
	h.buf = append(h.buf, b...)
	// An echo goes first: that of a bit read can look like its own answer.
	if i := bytes.Index(h.buf, h.sent); i >= 0 && !h.echoed {
		h.echoed = true
		h.buf = append(h.buf[:i:i], h.buf[i+len(h.sent):]...)
		h.before, h.sorted, h.soon = min(h.before, i), min(h.sorted, i), min(h.soon, i)
	} else if time.Now().Before(h.end) {
		h.soon = len(h.buf)
	}
	if h.paced {
		h.before = max(h.before, h.soon) // nobody answers what he has not heard
	}
	f, ok := seek(h.buf[h.before:], h.want)
	f.start, f.end = f.start+h.before, f.end+h.before
	soon := f.start < h.soon && !h.instant
	if ok && (soon || bytes.Equal(h.buf[f.start:f.end], h.previous)) {
		h.hasty, h.before, h.counts = f, f.end, soon
		return found{}, false
	}
	return f, ok
}

// missing is how many bytes are known to be still to come: of the answer's
// head, then of the answer.
func (h *hearing) missing() int {
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

// enoughHasty is how many hasty answers show that a line's bytes take no time.
const enoughHasty = 3

// listen waits for the answer past anything else that comes, to the deadline.
// A unit whose late answers come in meanwhile is alive and answers in order:
// it is given twice the time it was seen to take, and more while it owes others.
func (w *wire) listen(ctx context.Context, q question, h *hearing, timeout time.Duration) (found, error) {
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
		case n == 0 && left <= 0 && h.hasty.end > 0:
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
		w.rest(ctx, w.last.Add(time.Duration(h.missing()-1)*w.tc))
	}
}

// settleFor takes a hasty answer that nothing came behind, at the second try.
func (w *wire) settleFor(q question, h *hearing) (found, error) {
	if w.doubting {
		return found{}, &model.ReadError{Cause: model.ForeignAnswer, Request: q.String(),
			Detail: "an answer came that may be the last one over again: " + dump(h.buf), Hint: "a unit or a gateway sends its answers twice"}
	}
	if h.counts {
		w.hasty++
	}
	return h.hasty, nil
}

// until is how long to go on listening after what was heard.
func (w *wire) until(h *hearing, deadline, hard time.Time, gap time.Duration) time.Time {
	switch rest := h.buf[h.sorted:]; {
	case h.hasty.end > 0:
		wait := max(pause, slack*w.memory.habit(h.want.unit).slowest())
		return earlier(deadline, h.end.Add(wait+time.Duration(h.want.length())*w.tc))
	case h.misfit: // this was its answer, unless it was the last one over again
		wait := max(gap, slack*w.memory.habit(h.want.unit).slowest())
		return earlier(deadline, w.last.Add(wait))
	case len(rest) == 0:
		return deadline
	case begun(rest, h.want):
		return earlier(hard, w.last.Add(gap+time.Duration(h.missing())*w.tc))
	}
	return earlier(hard, later(deadline, w.last.Add(gap)))
}

// rest sleeps through bytes that are known to be under way, so that an answer
// wakes the processor a few times and not once for each byte.
func (w *wire) rest(ctx context.Context, until time.Time) {
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
