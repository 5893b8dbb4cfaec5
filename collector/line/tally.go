package line

import (
	"maps"
	"sync"
	"time"

	"tickover/model"
)

// tally counts what happens on a line, for readers on other goroutines.
type tally struct {
	mu    sync.Mutex
	h     model.LineHealth
	first time.Time // of the first try to open; zero means none yet
}

func newTally(def model.Line) *tally {
	return &tally{h: model.LineHealth{Name: def.Name, Kind: def.Kind, Trouble: "not opened yet", Exceptions: map[byte]uint64{}}}
}

func (t *tally) health() model.LineHealth {
	t.mu.Lock()
	defer t.mu.Unlock()
	h := t.h
	h.Exceptions = maps.Clone(h.Exceptions)
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

func (t *tally) shut(err error) {
	t.change(func(h *model.LineHealth) { h.Open, h.Trouble = false, err.Error() })
}

func (t *tally) good()  { t.change(func(h *model.LineHealth) { h.Messages++ }) }
func (t *tally) retry() { t.change(func(h *model.LineHealth) { h.Retries++ }) }
func (t *tally) echo()  { t.change(func(h *model.LineHealth) { h.Echoes++ }) }
func (t *tally) late(n int) {
	t.change(func(h *model.LineHealth) { h.Late += uint64(n) })
}
func (t *tally) busy(d time.Duration) { t.change(func(h *model.LineHealth) { h.Busy += d }) }

func (t *tally) exception(code byte) {
	t.change(func(h *model.LineHealth) { h.Messages++; h.Exceptions[code]++ })
}

func (t *tally) failure(c model.Cause) {
	t.change(func(h *model.LineHealth) {
		switch c {
		case model.NoAnswer:
			h.NoAnswers++
		case model.ForeignAnswer:
			h.Foreign++
		case model.CorruptAnswer:
			h.Corrupt++
		}
	})
}
