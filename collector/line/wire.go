package line

import (
	"bytes"
	"context"
	"time"

	"github.com/goburrow/modbus"

	"tickover/model"
)

const (
	// wakeBefore is how long before the end of a silence the line stops looking at
	// what comes and sleeps exactly: Go's timers, by which it looks, are late by
	// up to 1 ms.
	wakeBefore = 5 * time.Millisecond
	// pause is the longest silence inside a frame, on top of 64 characters. Full
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

	tc           time.Duration // one character
	gap          time.Duration // t3.5 or more
	timeout      time.Duration
	last         time.Time // when the wire was last seen busy
	asked        byte      // the unit asked last, 0 for none
	previous     map[byte]answer
	alone        map[byte]int // answers of a unit in a row that are sound and came alone
	doubting     bool         // an early answer is asked for once more
	draining     bool         // answers are counted off, whosever they are
	probing      bool         // a short read is under way, which the unit may be deaf to
	earlyAnswers int          // in a row: before the request was through, with none behind
	buf          [maxFrame]byte
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
	return &wire{
		port: p, tally: t, memory: m, packager: modbus.NewRTUClientHandler(""),
		previous: map[byte]answer{}, alone: map[byte]int{}, last: time.Now(),
		tc: def.CharacterTime(), gap: def.FrameGap(), timeout: def.ResponseTimeout(),
	}
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
	// Whether there is a second try.
	w.doubting = w.memory.silent[q.Unit] == 0 && !q.Once && !w.spent(q, began)
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

// try puts the question once: silence, send, listen, match, decide.
func (w *wire) try(
	ctx context.Context, q question, timeout time.Duration,
) (pdu []byte, took time.Duration, err error) {
	if err := w.silence(ctx, q); err != nil {
		w.tally.failed(q.Unit, err)
		return nil, 0, err
	}
	h, err := w.send(q)
	if err != nil {
		return nil, 0, err
	}
	f, err := w.listen(ctx, q, h, timeout)
	w.match(h, f, err == nil)
	return w.decide(q, h, f, err)
}

// decide takes note of how the question ended and gives the PDU of its answer.
func (w *wire) decide(q question, h *reception, f found, err error) ([]byte, time.Duration, error) {
	w.tally.asked(q.Unit, time.Since(h.began))
	if h.echoed {
		w.tally.echo(q.Unit)
	}
	if err == nil {
		return w.accept(q, h, f)
	}
	w.tally.failed(q.Unit, err)
	if !h.wrong && !begun(h.buf[h.sorted:], h.want) { // else the unit has said what it had to say
		w.memory.owe(q.Unit, h.end)
	}
	w.memory.add(h.want, h.end, time.Now())
	if len(h.buf) == 0 && !w.probing {
		w.memory.clean(q.Unit, false, time.Now())
	}
	if h.early.end == 0 {
		w.alone[q.Unit] = 0
		w.memory.habit(q.Unit).missed()
	}
	return nil, 0, err
}

// accept takes note of a good answer and gives its PDU.
func (w *wire) accept(q question, h *reception, f found) ([]byte, time.Duration, error) {
	frame, last := h.buf[f.start:f.end], w.previous[q.Unit]
	// What comes three times is no answer sent twice.
	again := bytes.Equal(frame, last.frame) && !last.again
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

// send puts the question on the wire and returns the reception of its answer.
func (w *wire) send(q question) (*reception, error) {
	w.packager.SlaveId = q.Unit
	adu, err := w.packager.Encode(request(q))
	if err != nil {
		return nil, err
	}
	if err := readOnly(adu[1:]); err != nil {
		return nil, err
	}
	began := time.Now()
	if err := w.port.write(adu); err != nil {
		return nil, err
	}
	w.last, w.asked = began.Add(time.Duration(len(adu))*w.tc), q.Unit
	h := &reception{want: shapeOf(q), sent: adu, began: began, end: w.last,
		paced: w.port.paced(), instant: w.earlyAnswers >= enoughEarly}
	p := w.previous[q.Unit]
	if w.doubting && (p.other || p.address != q.Address) && !w.believes(p.frame) {
		h.previous = p.frame
	}
	return h, nil
}

// match takes note of what came next to the answer: late answers, unsolicited
// frames, stray bytes.
func (w *wire) match(h *reception, answer found, answered bool) {
	w.settle(h, answer, answered)
	if h.early.end > 0 && h.early.start != answer.start {
		h.unsolicited++ // the last answer over again
		if answered {
			w.alone[h.want.unit] = 0
		}
	}
	if answered {
		w.tally.foreign(h.want.unit, h.unsolicited)
	}
	others := append(frames(h.buf[answer.end:]), frames(h.buf[:answer.start])...)
	if answered && stray(h.buf, others) > answer.end-answer.start {
		w.tally.ghost(h.want.unit)
	}
}

// settle looks at the frames that came since it last did and returns how late
// the latest of them was; 0 when none was late.
func (w *wire) settle(h *reception, answer found, answered bool) (lateness time.Duration) {
	from := h.sorted
	for _, f := range frames(h.buf[from:]) {
		h.sorted = from + f.end
		at := from + f.start
		if answered && at == answer.start || !answered && h.early.end > 0 && at == h.early.start {
			continue
		}
		w.earlyAnswers, w.alone[f.unit] = 0, 0
		w.memory.clean(f.unit, false, time.Now())
		asked, late := w.memory.settle(f, time.Now())
		switch {
		case late:
			lateness = time.Since(asked)
			w.memory.habit(f.unit).heard(lateness)
			w.tally.late(f.unit)
		default:
			h.unsolicited++
			h.wrong = h.wrong || f.unit == h.want.unit
		}
	}
	return lateness
}

// silence waits until the wire has been silent long enough for q and drops what
// comes meanwhile. The silence counts from the last byte seen.
func (w *wire) silence(ctx context.Context, q question) error {
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
	h := &reception{want: shape{unit: w.asked}, buf: stale}
	w.settle(h, found{start: -1}, true)
	w.tally.foreign(w.asked, h.unsolicited)
	if stray(stale, frames(stale)) > 0 && w.asked != 0 {
		w.tally.ghost(w.asked)
	}
	return nil
}

// quiet waits for the end of a silence, or for bytes that break it. The last
// of it is slept, and what came meanwhile is found then.
func (w *wire) quiet(left time.Duration) (n int, err error) {
	n, err = w.port.read(w.buf[:], min(max(left-wakeBefore, 0), slice))
	if n > 0 || err != nil || left <= 0 || left > wakeBefore {
		return n, err
	}
	w.port.pause(left)
	return w.port.read(w.buf[:], 0)
}
