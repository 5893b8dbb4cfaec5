package line

import (
	"context"
	"errors"
	"maps"
	"slices"
	"sync"
	"time"

	"tickover/model"
)

// tally counts what happens on a line, for readers on other goroutines.
type tally struct {
	mu    sync.Mutex
	h     model.LineHealth
	units map[byte]*model.UnitHealth
	first time.Time // of the first try to open; zero means none yet
}

func newTally(def model.Line) *tally {
	h := model.LineHealth{Name: def.Name, Kind: def.Kind, Trouble: "not opened yet"}
	h.Exceptions = map[byte]uint64{}
	return &tally{units: map[byte]*model.UnitHealth{}, h: h}
}

func (t *tally) health() model.LineHealth {
	t.mu.Lock()
	defer t.mu.Unlock()
	h := t.h
	h.Exceptions = maps.Clone(h.Exceptions)
	for _, unit := range slices.Sorted(maps.Keys(t.units)) {
		u := *t.units[unit]
		u.Exceptions = maps.Clone(u.Exceptions)
		h.Units = append(h.Units, u)
	}
	if !t.first.IsZero() {
		h.Up = time.Since(t.first)
	}
	return h
}

func (t *tally) change(f func(h *model.LineHealth)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	f(&t.h)
}

func (t *tally) tried() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.first.IsZero() {
		t.first = time.Now()
	}
}

func (t *tally) opened(again bool) {
	t.change(func(h *model.LineHealth) {
		h.Open, h.Trouble = true, ""
		if again {
			h.Reopened++
		}
	})
}

func (t *tally) lacks(words []string) {
	t.change(func(h *model.LineHealth) { h.Lacks = words })
}

func (t *tally) shut(err error) {
	t.change(func(h *model.LineHealth) { h.Open, h.Trouble = false, err.Error() })
}

// of changes the counters of the line and of one unit.
func (t *tally) of(unit byte, f func(h *model.LineHealth, u *model.UnitHealth)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	u := t.units[unit]
	if u == nil {
		u = &model.UnitHealth{Unit: unit, Exceptions: map[byte]uint64{}}
		t.units[unit] = u
	}
	f(&t.h, u)
}

// asked counts a question that was on the wire for so long.
func (t *tally) asked(unit byte, busy time.Duration) {
	t.of(unit, func(h *model.LineHealth, u *model.UnitHealth) { h.Busy += busy; u.Asked++ })
}

func (t *tally) retry(unit byte) {
	t.of(unit, func(h *model.LineHealth, u *model.UnitHealth) { h.Retries++; u.Retries++ })
}

func (t *tally) echo(unit byte) {
	t.of(unit, func(h *model.LineHealth, u *model.UnitHealth) { h.Echoes++; u.Echoes++ })
}

func (t *tally) late(unit byte) {
	t.of(unit, func(h *model.LineHealth, u *model.UnitHealth) { h.Late++; u.Late++ })
}

func (t *tally) fence(unit byte) {
	t.of(unit, func(h *model.LineHealth, u *model.UnitHealth) { h.Fences++; u.Fences++ })
}

func (t *tally) ghost(unit byte) {
	t.of(unit, func(h *model.LineHealth, u *model.UnitHealth) { h.Ghosts++; u.Ghosts++ })
}

// foreign counts frames that came next to a good answer or none.
func (t *tally) foreign(unit byte, n int) {
	if n > 0 {
		t.of(unit, func(h *model.LineHealth, u *model.UnitHealth) {
			h.Foreign += uint64(n)
			u.Foreign += uint64(n)
		})
	}
}

func (t *tally) latency(unit byte, d time.Duration) {
	t.of(unit, func(_ *model.LineHealth, u *model.UnitHealth) { u.Latency.Add(d) })
}

func (t *tally) waits(unit byte, timeout time.Duration) {
	t.of(unit, func(_ *model.LineHealth, u *model.UnitHealth) { u.Timeout = timeout })
}

// answered counts an exchange that ended with an answer: data or an exception.
func (t *tally) answered(unit byte, pdu []byte) {
	t.of(unit, func(h *model.LineHealth, u *model.UnitHealth) {
		h.Messages++
		u.Messages++
		if pdu[0]&exceptionBit != 0 {
			h.Exceptions[pdu[1]]++
			u.Exceptions[pdu[1]]++
		}
	})
}

// failed counts an exchange that ended with an error of the wire by its cause,
// whether the question is put again or not. One that was cut short is none.
func (t *tally) failed(unit byte, err error) {
	cut := errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)
	if read, ok := err.(*model.ReadError); ok && !cut {
		t.failure(unit, read.Cause)
	}
}

func (t *tally) failure(unit byte, c model.Cause) {
	t.of(unit, func(h *model.LineHealth, u *model.UnitHealth) {
		switch c {
		case model.NoAnswer:
			h.NoAnswers++
			u.NoAnswers++
		case model.ForeignAnswer:
			h.Foreign++
			u.Foreign++
		case model.CorruptAnswer:
			h.Corrupt++
			u.Corrupt++
		}
	})
}
