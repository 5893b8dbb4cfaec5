package daemon

import (
	"sync"
	"time"

	"tickover/collector/metrics"
	"tickover/model"
	"tickover/model/running"
)

// hours counts what the set did in all, from the changes of engine state on
// record. The carrier adds changes, scrapes read.
type hours struct {
	now   func() model.Instant
	clock func() model.Clock

	mu      sync.Mutex
	changes []model.Event
	totals  metrics.Totals
	counted model.Instant // what totals reach to
	fresh   bool          // totals hold every change
}

const (
	// unsynced is how far the present may be ahead of the card: time counted
	// within it could be taken back by a power cut. The store's tail is at most
	// 5 s; twice that leaves room for a slow card.
	unsynced = 10 * time.Second
	// recount is how often time that passes is counted.
	recount = 10 * time.Second
)

// add notes a change of engine state.
func (h *hours) add(e model.Event) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.changes, h.fresh = append(h.changes, e), false
}

// count tells what the set did until shortly before now.
func (h *hours) count() metrics.Totals {
	now, clock := h.now().Add(-unsynced), h.clock()
	h.mu.Lock()
	defer h.mu.Unlock()
	if age, same := now.Sub(h.counted); h.fresh && same && age < recount {
		return h.totals
	}
	h.totals, h.counted, h.fresh = metrics.Totals{}, now, true
	for _, r := range running.Runs(h.changes, now, clock.Boots...) {
		h.totals.Cranks += uint64(r.Cranks)
		h.totals.Starts += uint64(r.Starts)
		h.totals.Running += r.Running
		h.totals.Loaded += r.Loaded
	}
	return h.totals
}
