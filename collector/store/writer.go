package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"tickover/model"
)

// receipt waits for events to reach the card.
type receipt struct {
	from uint64 // Seq of the first and the last of them
	seq  uint64
	kept chan error // of one
}

// ErrNotKept is wrapped when something was handed over and is not on the card
// yet. It is in memory and goes to the card as soon as that takes it.
var ErrNotKept error = notKept{}

type notKept struct{}

func (notKept) Error() string {
	return "not kept yet: the card is slow or takes nothing (it is tried again)"
}

// NotKept marks the error for the page.
func (notKept) NotKept() {}

// Run is the writer: until the context ends it alone writes what is handed
// over. Then it writes the rest once and returns.
func (s *Store) Run(ctx context.Context) {
	s.running.Store(true)
	defer s.running.Store(false)
	looking, stop := context.WithCancel(ctx)
	defer stop()
	go s.inspect(looking)
	again := time.NewTicker(time.Second)
	defer again.Stop()
	for {
		select {
		case <-s.errands:
			s.workOff()
		case <-again.C:
			if s.troubled() {
				s.workOff()
			}
		case <-ctx.Done():
			s.running.Store(false)
			s.workOff()
			s.answer(ErrNotKept)
			return
		}
	}
}

// troubled reports whether something failed that is to be tried again without
// anything new to write. What waits in memory then is due.
func (s *Store) troubled() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.trouble) == 0 {
		return false
	}
	s.flushDue = s.flushDue || !s.pending.IsZero() || s.keptSeq < s.lastSeq
	return true
}

func (s *Store) workOff() {
	s.writing.Lock()
	defer s.writing.Unlock()
	if s.closed {
		return
	}
	if err := s.settleHome(); err != nil {
		s.answer(err)
		return
	}
	if err := s.mendFiles(); err != nil {
		_ = s.fail("state folder", err)
		s.answer(err)
		return
	}
	s.recovered("state folder")
	if s.data.doubt != nil {
		_ = s.data.settle() // sealing may not be due, its outcome is
	}
	s.answer(s.work())
}

// answer settles the receipts of events that are on the card, and of those that
// the last write failed to bring there.
func (s *Store) answer(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.receipts = slices.DeleteFunc(s.receipts, func(r receipt) bool {
		switch {
		case r.seq <= s.health.SyncedSeq:
			r.kept <- nil
		case err != nil && !errors.Is(err, errSlow) && (!s.flushDue || len(s.trouble["state folder"]) > 0):
			r.kept <- fmt.Errorf("%w: %w", ErrNotKept, err)
		default:
			return false
		}
		return true
	})
}

// nudge has the writer look for work. It never waits.
func (s *Store) nudge() {
	select {
	case s.errands <- struct{}{}:
	default:
	}
}

// soon leaves what is due to the writer, or does it when none runs.
func (s *Store) soon() error {
	if s.running.Load() {
		s.nudge()
		return nil
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	if s.closed {
		return nil
	}
	return s.work()
}

// Hand is Append for a caller that must not wait for the card: while Run runs,
// an error only says that the scan is refused. Health tells how the card fares.
func (s *Store) Hand(scan *model.Scan, events []model.Event) error {
	due, err := s.take(scan, events)
	if err != nil || !due {
		return err
	}
	return s.soon()
}

// HandEvents is AppendEvents for a caller that must not wait for the card. The
// events' Seq is assigned in the slice given. What it returns waits until they
// are on the card, or for an error that wraps ErrNotKept, or the context's end;
// it may be called once.
func (s *Store) HandEvents(events []model.Event) (kept func(context.Context) error) {
	if err := s.readOnly(); err != nil || len(events) == 0 {
		return func(context.Context) error { return err }
	}
	if !s.running.Load() {
		err := s.AppendEvents(events)
		return func(context.Context) error { return err }
	}
	s.mu.Lock()
	r := s.await(s.lastSeq+1, s.lastSeq+uint64(len(events)))
	s.number(events)
	s.mu.Unlock()
	s.nudge()
	return r.wait
}

// Kept waits until no event up to this number waits for the card, also after an
// earlier wait ended with ErrNotKept. It returns an error that wraps ErrNotKept
// when the next try fails or the context ends. An event may have been given up
// or renumbered meanwhile; whoever needs it looks for it.
func (s *Store) Kept(ctx context.Context, seq uint64) error {
	s.mu.Lock()
	if seq <= s.health.SyncedSeq {
		s.mu.Unlock()
		return nil
	}
	r := s.await(seq, seq)
	s.mu.Unlock()
	s.nudge()
	return r.wait(ctx)
}

// await makes a receipt for events that are due now. Callers hold mu.
func (s *Store) await(from, seq uint64) receipt {
	r := receipt{from, seq, make(chan error, 1)}
	s.receipts, s.flushDue = append(s.receipts, r), true
	return r
}

func (r receipt) wait(ctx context.Context) error {
	select {
	case err := <-r.kept:
		return err
	case <-ctx.Done():
		return fmt.Errorf("%w: %w", ErrNotKept, ctx.Err())
	}
}
