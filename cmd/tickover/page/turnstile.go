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

// turn is one request's. It belongs to one goroutine.
type turn struct {
	stile *turnstile
	who   string
	held  bool // a slot is held
}

// enter waits for a turn at most so long; who gets it calls leave. It returns
// errNoTurn, at once when too many wait already, or the context's error.
func (t *turnstile) enter(ctx context.Context, who string, patience time.Duration) (*turn, error) {
	if !t.queue(who) {
		return nil, errNoTurn
	}
	mine := &turn{stile: t, who: who}
	err := mine.resume(ctx, patience)
	t.mu.Lock()
	defer t.mu.Unlock()
	t.waiting--
	if err != nil {
		t.gone(who)
		return nil, err
	}
	return mine, nil
}

// pause gives the slot to others until resume.
func (t *turn) pause() {
	if t.held {
		t.held = false
		<-t.stile.slots
	}
}

// resume waits for a slot. It returns errNoTurn or the context's error.
func (t *turn) resume(ctx context.Context, patience time.Duration) error {
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case t.stile.slots <- struct{}{}:
		t.held = true
		return nil
	case <-timer.C:
		return errNoTurn
	case <-ctx.Done():
		return ctx.Err()
	}
}

// leave ends the turn.
func (t *turn) leave() {
	t.pause()
	t.stile.mu.Lock()
	defer t.stile.mu.Unlock()
	t.stile.gone(t.who)
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
