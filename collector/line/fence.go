package line

import (
	"context"
	"time"

	"tickover/model"
)

// fence makes sure that no late answer can be taken for the answer to q: when
// a question of the same shape is unanswered, a short read of another shape
// goes first. Once that is answered the late answer has passed, for a unit
// answers in order. A unit that stays silent has failed q with it.
func (w *wire) fence(ctx context.Context, q question) error {
	if !w.confuses(q) {
		return nil
	}
	tries := 2
	if w.memory.silent[q.Unit] > 1 || !w.memory.heard[q.Unit] || q.Once {
		tries = 1
	}
	failure := &model.ReadError{Cause: model.NoAnswer, Request: q.String(),
		Detail: "an earlier question is unanswered, and so is the short read that was sent to be sure its answer has passed",
		Hint:   silentHint}
	for ; tries > 0 && w.confuses(q); tries-- {
		probe, ok := w.probe(q)
		if !ok {
			break
		}
		wait := w.limit(q)
		if tries == 1 {
			wait = max(wait, time.Until(w.owed(q)))
		}
		w.tally.fence(q.Unit)
		pdu, _, err := w.try(ctx, probe, wait)
		read, onWire := err.(*model.ReadError)
		if err != nil && (!onWire || ctx.Err() != nil) {
			return err
		}
		if onWire && read.Cause != model.NoAnswer { // what ails the unit ails every question to it
			failure.Cause, failure.Detail, failure.Hint = read.Cause, read.Detail, read.Hint
		}
		if err == nil && pdu[0]&exceptionBit != 0 && !gatewaySays(pdu[1]) && !w.memory.refuses[q.Unit] {
			w.memory.refuses[q.Unit] = true
			tries++ // it is there: by the other function now
		}
	}
	silent := w.confuses(q)
	w.memory.failed(q.Unit, silent)
	if !silent {
		return nil // and q has its second try again
	}
	return failure
}

// confuses reports whether an open question looks like q.
func (w *wire) confuses(q question) bool { return w.memory.confuses(shapeOf(q), time.Now()) }

// longest is how much later than its time an answer may come at no cost but
// time: so long a unit that was answering until now is waited for, and so long
// each late answer lets the wait for the next one go on.
const longest = 2 * time.Second

// owed is until when the last try of q waits at least. A unit that was
// answering until now may still be at an old question; the wire is no use to
// others then, for its answer would come in between. One that never answered is
// more likely not there.
func (w *wire) owed(q question) time.Time {
	since, owing := w.memory.owing[q.Unit]
	if !owing || !w.memory.heard[q.Unit] || w.memory.silent[q.Unit] > 1 || q.Once {
		return time.Time{}
	}
	return since.Add(w.limit(q) + longest)
}

// probe chooses the short read: inside q's own range where that is possible,
// of a length that proves the passing of everything that looks like q. A unit
// that refuses to be read so is asked by the function that q has not: whatever
// it says to that it says to nothing else.
func (w *wire) probe(q question) (question, bool) {
	p := q
	p.identify = false
	if w.memory.refuses[q.Unit] {
		p.Table = neighbour(q.Table)
	}
	step := 1
	if p.Table.Bits() {
		step = 8 // fewer bits make no other length
	}
	now := time.Now()
	for n := 1; n <= p.Table.Limit(); n += step {
		p.Count = uint16(n)
		p.Address = uint16(min(int(q.Address), 1<<16-n))
		if w.memory.tells(shapeOf(p), shapeOf(q), now) {
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
