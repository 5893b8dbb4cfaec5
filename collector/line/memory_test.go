package line

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// TestEightAnswersInThreeSecondsForgetWhatWasOpen takes runs of answers with
// nothing else beside them: only one of eight that lasts three seconds shows that
// no older answer is to come.
func TestEightAnswersInThreeSecondsForgetWhatWasOpen(t *testing.T) {
	for _, c := range []struct {
		answers int
		during  time.Duration
		forgets bool
	}{
		{8, 3 * time.Second, true}, {7, 4 * time.Second, false}, {8, 2999 * time.Millisecond, false}, {20, 2 * time.Second, false},
	} {
		t.Run(fmt.Sprintf("%d/%s", c.answers, c.during), func(t *testing.T) {
			m, now := newMemory(), time.Now()
			m.add(shape{unit: 1, function: 3, bytes: 2}, now.Add(-time.Second), now)
			for i := range c.answers {
				m.clean(1, true, now.Add(c.during*time.Duration(i)/time.Duration(c.answers-1)))
			}
			if forgets := len(m.open[1]) == 0; forgets != c.forgets {
				t.Errorf("%d answers over %s forget what was open: %v", c.answers, c.during, forgets)
			}
		})
	}
}

// TestAUnitIsWaitedForThreeQuestionsInARow has a unit that was answering leave
// questions unanswered: two seconds past its time for three of them, then no
// longer than any other. With a sound unit next to it, one that gave eight clean
// answers in a row, nothing is waited for.
func TestAUnitIsWaitedForThreeQuestionsInARow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		def := model.Line{Baud: 19200}
		w := newWire(def, newCable(), newTally(def), newMemory())
		q, now := question{ReadRequest: model.ReadRequest{Unit: 1, Count: 1}}, time.Now()
		w.memory.said[1], w.memory.owing[1] = now, now
		for silent, waited := range []bool{true, true, true, true, false} {
			w.memory.silent[1] = silent
			if until := w.owed(q); !until.IsZero() != waited || waited && until.Sub(now) != def.ResponseTimeout()+2*time.Second {
				t.Errorf("after %d questions without an answer it is waited for until %s", silent, until.Sub(now))
			}
		}
		w.memory.silent[1], w.memory.said[2], w.alone[2] = 1, now, 7
		if w.owed(q).IsZero() {
			t.Error("it is not waited for next to a unit that gave seven clean answers in a row")
		}
		w.alone[2] = 8
		if until := w.owed(q); !until.IsZero() {
			t.Errorf("next to another unit it is waited for until %s", until.Sub(now))
		}
	})
}
