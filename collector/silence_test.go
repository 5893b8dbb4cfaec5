package collector

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// failing is a line on which some units fail by a cause, each time after half
// a second, as one does that is waited for.
func failing(cause model.Cause, units ...byte) *scripted {
	l := &scripted{takes: 20 * time.Millisecond}
	l.answer = func(q model.ReadRequest) error {
		if !slices.Contains(units, q.Unit) {
			return nil
		}
		time.Sleep(480 * time.Millisecond)
		return &model.ReadError{Cause: cause, Request: q.String()}
	}
	return l
}

func sixUnits() (all []model.Device) {
	for unit := byte(1); unit <= 6; unit++ {
		all = append(all, device(fmt.Sprintf("unit%d", unit), unit))
	}
	return all
}

// TestDeadUnitsShareTheirPartOfTheLine has one, three and five dead units among
// six, for twenty minutes: together they take under 2 % of the line once that is
// known, and no round of the others is lost then.
func TestDeadUnitsShareTheirPartOfTheLine(t *testing.T) {
	for _, cause := range []model.Cause{model.NoAnswer, model.CorruptAnswer} {
		for _, dead := range []int{1, 3, 5} {
			t.Run(fmt.Sprintf("%s/%d", cause, dead), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) { deadAmongSix(t, cause, dead) })
			})
		}
	}
}

func deadAmongSix(t *testing.T, cause model.Cause, dead int) {
	const settled = 5 * time.Minute
	l := failing(cause, []byte{2, 3, 4, 5, 6}[:dead]...)
	c, keep := newScripted(l, nil, sixUnits()...)
	runFor(c, 20*time.Minute-100*time.Millisecond)
	tries, early := 0, 0
	for _, a := range l.log {
		switch is := int(a.q.Unit) >= 2 && int(a.q.Unit) < 2+dead; {
		case is && a.at.Sub(l.log[0].at) > settled:
			tries++
		case is:
			early++
		}
	}
	if share := 100 * float64(tries) / 2 / (15 * 60); share > 2 || tries < 15*60/180*dead {
		t.Errorf("%d tries of %d dead units take %.1f %% of the line", tries, dead, share)
	}
	if most := 18 * dead; early > most {
		t.Errorf("%d tries of %d dead units in the first five minutes, want %d at most", early, dead, most)
	}
	good, lost := 0, 0
	for _, s := range keep.scans {
		switch {
		case s.Samples[0].Quality == model.Good:
			good++
		case s.Samples[0].Cause != cause:
			lost++
		}
	}
	if alive := (6 - dead) * 1200; alive-good > 8*(6-dead) {
		t.Errorf("%d of %d rounds of the others lost", alive-good, alive)
	}
	if lost > 0 {
		t.Errorf("%d scans of the dead units do not say %q", lost, cause)
	}
}

// TestSparksDoNotEndABurst has a unit that gives nothing but noise for two
// rounds: it is asked at every round all the same.
func TestSparksDoNotEndABurst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &scripted{takes: 20 * time.Millisecond}
		rounds := 0
		l.answer = func(q model.ReadRequest) error {
			if q.Unit != 2 {
				return nil
			}
			if rounds++; rounds%5 < lostAfter {
				return &model.ReadError{Cause: model.CorruptAnswer, Request: q.String()}
			}
			return nil
		}
		c, _ := newScripted(l, nil, device("meter", 1), device("engine", 2))
		runFor(c, 59900*time.Millisecond)
		if rounds != 60 {
			t.Errorf("a unit with noise in three rounds of five was asked %d times in a minute, want 60", rounds)
		}
	})
}

// TestUnitPoweredByTheSetIsAwaitedDuringAStart has a meter without its voltage
// when a start begins, after ten minutes of standing still.
func TestUnitPoweredByTheSetIsAwaitedDuringAStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := failing(model.NoAnswer, 2)
		meter := device("meter", 2)
		meter.PoweredBySet = true
		c, _ := newScripted(l, nil, device("engine", 1), meter)
		ctx, stop := context.WithTimeout(context.Background(), 11*time.Minute)
		defer stop()
		began := time.Now().Add(10 * time.Minute)
		time.AfterFunc(10*time.Minute, func() { c.signals["skid"].hold(time.Now().Add(time.Minute)) })
		c.Run(ctx)
		tries := 0
		for _, a := range l.log {
			if a.q.Unit == 2 && a.at.After(began) {
				tries++
			}
		}
		if tries < 10 || tries > 15 {
			t.Errorf("a meter without voltage was tried %d times in the minute of a start, want one every five seconds", tries)
		}
	})
}
