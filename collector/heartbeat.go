package collector

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"
)

// heartbeat says by when a poller shows again that it runs, which separates the
// wait for a slow line from a loop that hangs. The zero value has no such time and
// is never overdue.
type heartbeat struct{ next atomic.Pointer[time.Time] }

// promise says when the poller shows that it runs, at the latest.
func (h *heartbeat) promise(by time.Time) { h.next.Store(&by) }

// overdue returns how long ago that time passed; 0 or less when it did not.
func (h *heartbeat) overdue(now time.Time) time.Duration {
	by := h.next.Load()
	if by == nil {
		return 0
	}
	return now.Sub(*by)
}

// grace is what a question may take beyond its own timeout: silence before it,
// a slow answer, a port that is opened again, a slow card.
const grace = 15 * time.Second

// Alive returns nil while every loop makes progress: the carrier takes an errand
// before the context ends, and every line's poller shows in time that it runs. Otherwise it
// says which loop hangs. A card that hangs is none of them: the store says so.
func (c *Collector) Alive(ctx context.Context) error {
	if err := c.errand(ctx); err != nil {
		return fmt.Errorf("the carrier hangs: %w", err)
	}
	now := time.Now()
	var all []error
	for _, l := range c.parts.Setup.Lines {
		if late := c.heartbeats[l.Name].overdue(now); late > 0 {
			all = append(all, fmt.Errorf("polling of line %s hangs, overdue by %s", l.Name, late.Round(time.Second)))
		}
	}
	return errors.Join(all...)
}

// errand has the carrier do nothing, between two rounds.
func (c *Collector) errand(ctx context.Context) error {
	done := make(chan struct{})
	select {
	case c.acts <- func() { close(done) }:
	case <-c.stopped:
		return ErrStopped
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
