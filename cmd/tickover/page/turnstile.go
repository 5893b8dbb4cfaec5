package page

import (
	"context"
	"errors"
	"sync"
	"time"
)

// turnstile lets a number of requests do something at once. Further ones wait
// for a time; how many may wait is bounded, and so is how many of one address
// wait or are at it.
type turnstile struct {
	slots       chan struct{}
	most, share int

	mu      sync.Mutex
	waiting int
	present map[string]int // by address
}

// errNoTurn is returned when a request gets no turn.
var errNoTurn = errors.New("no turn came")

func newTurnstile(slots, waiting, share int) *turnstile {
	return &turnstile{slots: make(chan struct{}, slots), most: waiting, share: share, present: map[string]int{}}
}

// enter waits for a turn at most so long; who gets it calls leave. It returns
// errNoTurn, at once when too many wait already, or the context's error.
func (t *turnstile) enter(ctx context.Context, who string, patience time.Duration) (err error) {
	if !t.queue(who) {
		return errNoTurn
	}
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case t.slots <- struct{}{}:
	case <-timer.C:
		err = errNoTurn
	case <-ctx.Done():
		err = ctx.Err()
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.waiting--
	if err != nil {
		t.gone(who)
	}
	return err
}

// leave ends the turn of a request from an address.
func (t *turnstile) leave(who string) {
	<-t.slots
	t.mu.Lock()
	defer t.mu.Unlock()
	t.gone(who)
}

func (t *turnstile) queue(who string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.waiting >= t.most || t.present[who] >= t.share {
		return false
	}
	t.waiting++
	t.present[who]++
	return true
}

func (t *turnstile) gone(who string) {
	if t.present[who]--; t.present[who] == 0 {
		delete(t.present, who)
	}
}
