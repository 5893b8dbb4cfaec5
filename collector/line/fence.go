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
	tries := 2
	if w.memory.silent[q.Unit] > 1 || q.Once {
		tries = 1
	}
	for range tries {
		if !w.memory.confuses(shapeOf(q), time.Now()) {
			return nil
		}
		probe, ok := w.probe(q)
		if !ok {
			break
		}
		w.tally.fence(q.Unit)
		_, _, err := w.try(ctx, probe, w.limit(q))
		if _, onWire := err.(*model.ReadError); err != nil && (!onWire || ctx.Err() != nil) {
			return err
		}
	}
	if !w.memory.confuses(shapeOf(q), time.Now()) {
		return nil
	}
	w.memory.failed(q.Unit, true)
	return &model.ReadError{Cause: model.NoAnswer, Request: q.String(),
		Detail: "an earlier question is unanswered, and so is the short read that was sent to be sure its answer has passed",
		Hint:   silentHint}
}

// probe chooses the short read: inside q's own range where that is possible,
// of a length that proves the passing of everything that looks like q.
func (w *wire) probe(q question) (question, bool) {
	step := 1
	if q.Table.Bits() {
		step = 8 // fewer bits make no other length
	}
	now := time.Now()
	for n := range 8 {
		p := q
		p.identify = false
		p.Count = uint16(1 + n*step)
		p.Address = uint16(min(int(q.Address), 1<<16-int(p.Count)))
		if w.memory.tells(shapeOf(p), shapeOf(q), now) {
			return p, true
		}
	}
	return q, false
}
