package line

import (
	"context"
	"slices"
	"time"

	"tickover/model"
)

const (
	// mostProbes is how many short reads go before one question at most.
	mostProbes = 3
	// mostDrained is how often a question is asked in one go to count off the
	// answers that may be older ones'.
	mostDrained = 8
	// lively is how long a unit that said anything counts as there: so long every
	// question to it is put on the wire, whatever became of those before.
	lively = time.Minute
)

// fence makes sure that no late answer can be taken for the answer to q: when
// a question of the same shape is unanswered, a short read of another shape
// goes first. Once that is answered the late answer has passed, for a unit
// answers in order. A unit that stays silent has failed q with it.
//
// A unit that answers no short read is asked q itself: as many answers are
// dropped as there are open questions that they may belong to. So a unit that
// says anything at all is asked everything.
func (w *wire) fence(ctx context.Context, q question) error {
	began := time.Now()
	if !w.blocks(q, began) {
		return nil
	}
	failure := &model.ReadError{Cause: model.NoAnswer, Request: q.String(),
		Detail: "an earlier question and the short read that checks for its answer are both unanswered",
		Hint:   silentHint}
	if !w.lives(q.Unit) || !began.Before(w.memory.mute[q.Unit]) {
		if err := w.probes(ctx, q, began, failure); err != nil {
			return err
		}
	}
	if w.blocks(q, began) && w.lives(q.Unit) && !w.spent(q, began) {
		if err := w.drain(ctx, q, began, failure); err != nil {
			return err
		}
	}
	silent := w.blocks(q, began)
	w.memory.failed(q.Unit, silent)
	if !silent {
		return nil // and q has its second try again
	}
	return failure
}

// probes sends short reads until the late answers have passed. A second one goes
// the same way when the first was lost or spoilt, another way when it was refused
// and that proved nothing.
func (w *wire) probes(
	ctx context.Context, q question, began time.Time, failure *model.ReadError,
) error {
	tries := 2
	if w.memory.silent[q.Unit] > 1 || !w.memory.heard(q.Unit) || q.Once || w.neighbours(q.Unit) {
		tries = 1
	}
	for n := 0; n < mostProbes && tries > 0 && w.blocks(q, began); n++ {
		probe, ok := w.probe(q)
		if !ok {
			return nil
		}
		wait := w.limit(q)
		switch {
		case w.neighbours(q.Unit):
			wait /= 2 // and the rest of the timeout is left for q itself
		case tries == 1:
			wait = max(wait, time.Until(w.owed(q)))
		}
		w.tally.fence(q.Unit)
		w.probing = true
		heard, err := w.unproven(ctx, probe, wait, failure)
		w.probing = false
		if err != nil {
			return err
		}
		if tries--; heard && w.blocks(q, began) {
			tries++ // it is there
		}
		if heard {
			w.memory.vain[q.Unit] = 0
		}
		if heard || tries == 0 && failure.Cause == model.NoAnswer {
			w.memory.turn(q.Unit)
		}
	}
	return nil
}

// drain asks q itself, so often that its next answer is its own. When that is not
// to be reached in one go it is asked once, for the run of clean answers.
func (w *wire) drain(
	ctx context.Context, q question, began time.Time, failure *model.ReadError,
) error {
	w.doubting, w.draining = false, true
	defer func() { w.draining = false }()
	for n := range mostDrained {
		w.tally.fence(q.Unit)
		heard, err := w.unproven(ctx, q, w.limit(q), failure)
		if heard && n == 0 {
			w.memory.ignores(q.Unit, time.Now())
		}
		if err != nil || w.spent(q, began) || !w.blocks(q, began) {
			return err
		}
		spoilt := !heard && failure.Cause != model.NoAnswer
		if spoilt && n == 0 && w.neighbours(q.Unit) {
			continue // one more try, as every question has next to other units
		}
		if !heard || q.Once || w.memory.count(shapeOf(q), began) > mostDrained {
			return nil
		}
	}
	return nil
}

// unproven tries a question whose answer is not used, and reports whether the
// unit said anything. What ails the unit ails every question to it: the failure
// says what came.
func (w *wire) unproven(
	ctx context.Context, q question, wait time.Duration, failure *model.ReadError,
) (heard bool, err error) {
	pdu, _, err := w.try(ctx, q, wait)
	read, onWire := err.(*model.ReadError)
	switch {
	case err != nil && (!onWire || ctx.Err() != nil):
		return false, err
	case onWire && read.Cause != model.NoAnswer:
		failure.Cause, failure.Detail, failure.Hint = read.Cause, read.Detail, read.Hint
	case err == nil && pdu[0]&exceptionBit != 0:
		failure.Cause = model.DeviceException // to another question: its code says nothing of q
		failure.Detail, failure.Hint = exceptionText(pdu[1])
	case err == nil:
		failure.Cause = model.ForeignAnswer // as long as it may be another question's
		failure.Detail = "the unit answers, but it may be the answer to an earlier question"
		failure.Hint = "it answers late, or questions are lost: check the wiring and the unit's response time"
	}
	return err == nil, nil
}

// lives reports whether the unit said anything of late.
func (w *wire) lives(unit byte) bool {
	said, ever := w.memory.said[unit]
	return ever && time.Since(said) < lively
}

// blocks reports whether a question that was open at a time looks like q.
func (w *wire) blocks(q question, at time.Time) bool {
	return w.memory.confuses(shapeOf(q), at, time.Now())
}

// longest is how much later than its time an answer may come at no cost but
// time: so long a unit that was answering until now is waited for, and so long
// each late answer lets the wait for the next one go on.
const longest = 2 * time.Second

// mostPatience is how many questions in a row a unit may leave unanswered before
// it is waited for no longer than any other.
const mostPatience = 3

// owed is until when the last try of q waits at least. A unit that was answering
// until now may still be at an old question. With other units on the line the
// wait is not worth it: they would go unread for longer than the late answer,
// which spoils one of theirs at most; the memory recognises it. One that
// never answered is more likely not there.
func (w *wire) owed(q question) time.Time {
	since, owing := w.memory.owing[q.Unit]
	if !owing || !w.memory.heard(q.Unit) || w.memory.silent[q.Unit] > mostPatience {
		return time.Time{}
	}
	if q.Once || w.neighbours(q.Unit) {
		return time.Time{}
	}
	return since.Add(w.limit(q) + longest)
}

// secondTry is how many times as long as the first try the second one waits, up
// to the unit's timeout.
const secondTry = 4

// soundAfter is how many answers in a row, with nothing else next to them, make
// a unit sound. On a rough line no unit is: none of them may be hurried then, for
// a question that is cut short costs more questions than it saves time.
const soundAfter = 8

// neighbours reports whether another unit of the line is sound. Each wait for
// this one then delays the other's readings.
func (w *wire) neighbours(unit byte) bool {
	for other := range w.memory.said {
		if other != unit && w.lives(other) && w.alone[other] >= soundAfter {
			return true
		}
	}
	return false
}

// spent reports whether one timeout has passed since the line began with q while
// other units wait. Nothing that goes before q, and no second try of it, begins
// later than that, so that q takes the line for two timeouts at most.
func (w *wire) spent(q question, began time.Time) bool {
	return w.neighbours(q.Unit) && time.Since(began) >= w.limit(q)
}

// A way is how a unit is asked to learn that its late answers have passed. A
// unit keeps the one that worked.
type way int

const (
	shortRead     way = iota // of another length than the question, from its table
	otherFunction            // whatever the unit says to that it says to nothing else
	knownRead                // of another length, one that the unit answered before
	ways
)

// probe chooses what to ask: something of a shape that proves the passing of
// everything that looks like q.
func (w *wire) probe(q question) (question, bool) {
	for range ways {
		if p, ok := w.probeBy(q, w.memory.ways[q.Unit]); ok {
			return p, true
		}
		w.memory.turn(q.Unit)
	}
	return q, false
}

func (w *wire) probeBy(q question, by way) (question, bool) {
	p := q
	p.identify = false
	now := time.Now()
	switch by {
	case knownRead:
		i := slices.IndexFunc(w.memory.known[q.Unit], func(k question) bool {
			return w.memory.proves(shapeOf(k), shapeOf(q), now)
		})
		if i < 0 {
			return q, false
		}
		known := w.memory.known[q.Unit][i]
		p.Table, p.Address, p.Count = known.Table, known.Address, known.Count
		return p, true
	case otherFunction:
		p.Table = neighbour(q.Table)
	}
	step := 1
	if p.Table.Bits() {
		step = 8 // fewer bits make no other length
	}
	for n := 1; n <= p.Table.Limit(); n += step {
		p.Count = uint16(n)
		p.Address = uint16(min(int(q.Address), 1<<16-n))
		if w.memory.proves(shapeOf(p), shapeOf(q), now) {
			return p, true
		}
	}
	return q, false
}

// neighbour is the table that is read alike by another function.
func neighbour(t model.Table) model.Table {
	switch t {
	case model.HoldingRegisters:
		return model.InputRegisters
	case model.InputRegisters:
		return model.HoldingRegisters
	case model.Coils:
		return model.DiscreteInputs
	}
	return model.Coils
}
