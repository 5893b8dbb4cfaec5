package page

import (
	"context"
	"errors"
	"slices"
	"sync"
)

// mostKeys is how many notes are remembered to recognise one that is sent
// again.
const mostKeys = 500

// seenKeys remembers what was sent, by the key that the sender made up.
type seenKeys struct {
	mu    sync.Mutex
	tries map[string]*attempt
	order []string
}

// attempt is one try to keep something. Its outcome is there once ended is
// closed.
type attempt struct {
	ended chan struct{}
	seq   uint64
	err   error
}

func (a *attempt) over() bool {
	select {
	case <-a.ended:
		return true
	default:
		return false
	}
}

// once calls keep unless the key was met before, and returns the outcome of the
// first call: one that is under way is waited for. After a first call that was
// only late, kept finds out what became of it by its number. A call that failed
// is forgotten, so that the next one may try again. An empty key is never met.
func (s *seenKeys) once(ctx context.Context, key string, keep func() (uint64, error), kept func(seq uint64) error) (uint64, error) {
	if key == "" {
		return keep()
	}
	a, first := s.begin(key)
	if first {
		defer s.end(key, a)
		a.seq, a.err = keep()
		return a.seq, a.err
	}
	select {
	case <-a.ended:
	case <-ctx.Done():
		return 0, ctx.Err()
	}
	if !a.late() {
		return a.seq, a.err
	}
	err := kept(a.seq)
	var late notKept
	if err != nil && !errors.As(err, &late) && ctx.Err() == nil { // it was given up: the next one tries again
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.tries[key] == a {
			s.forget(slices.Index(s.order, key))
		}
	}
	return a.seq, err
}

// late reports whether an ended attempt was handed over and is not known to be
// on the card.
func (a *attempt) late() bool {
	var late notKept
	return a.seq != 0 && errors.As(a.err, &late)
}

// notKept is the error of what is in memory and goes to the card later.
type notKept interface {
	error
	NotKept()
}

func (s *seenKeys) begin(key string) (a *attempt, first bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if a = s.tries[key]; a != nil {
		return a, false
	}
	if s.tries == nil {
		s.tries = map[string]*attempt{}
	}
	if len(s.order) >= mostKeys {
		s.forget(slices.IndexFunc(s.order, func(k string) bool { return s.tries[k].over() }))
	}
	a = &attempt{ended: make(chan struct{})}
	s.tries[key], s.order = a, append(s.order, key)
	return a, true
}

func (s *seenKeys) end(key string, a *attempt) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if a.seq == 0 || a.err != nil && !a.late() {
		s.forget(slices.Index(s.order, key))
	}
	close(a.ended)
}

// forget drops the key at a place in the order; none below 0.
func (s *seenKeys) forget(at int) {
	if at >= 0 {
		delete(s.tries, s.order[at])
		s.order = slices.Delete(s.order, at, at+1)
	}
}
