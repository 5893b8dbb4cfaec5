package store

import (
	"bytes"
	"encoding/json"
	"fmt"
	"iter"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// keptBoot is a boot as it is stored. Begun tells one of which something was
// kept at offset 0, and nothing later, from one of which nothing was.
type keptBoot struct {
	model.Boot
	Begun bool `json:",omitempty"`
}

// Boot returns this boot's number in the table; 0 for a read-only store.
func (s *Store) Boot() uint32 { return s.boot }

func (s *Store) newBoot(kernel string) uint32 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.enterBoot(kernel)
}

// enterBoot enters a boot into the table. Callers hold mu.
func (s *Store) enterBoot(kernel string) uint32 {
	number := uint32(1)
	for _, b := range s.boots {
		number = max(number, b.Number+1)
	}
	s.boots = append(s.boots, model.Boot{Number: number, Kernel: kernel})
	s.dirty[number] = true
	return number
}

func (s *Store) knowsBoot(number uint32) bool {
	return number != 0 && slices.ContainsFunc(s.boots, func(b model.Boot) bool { return b.Number == number })
}

// noteBoot stretches the boot's span. It alone is no reason to write.
func (s *Store) noteBoot(at model.Instant) {
	for i := range s.boots {
		b := &s.boots[i]
		if b.Number != at.Boot {
			continue
		}
		if b.First != 0 || b.Last != 0 {
			s.begun[b.Number] = true
		}
		if !s.begun[b.Number] || at.Offset < b.First {
			b.First = at.Offset
		}
		s.begun[b.Number] = true
		b.Last = max(b.Last, at.Offset)
		s.dirty[b.Number] = true
	}
}

// noteEvent stretches the boot's span, unless the event has no time of its own.
func (s *Store) noteEvent(e model.Event) {
	if e.Kind != model.StoreEvent || e.At.Offset != 0 {
		s.noteBoot(e.At)
	}
}

// Estimate adds an opinion about a boot's wall time. One that says what the
// last of its source said, to the millisecond, is not kept again. While Run
// runs, it is left to the writer.
func (s *Store) Estimate(boot uint32, e model.ClockEstimate) error {
	if err := s.readOnly(); err != nil {
		return err
	}
	s.mu.Lock()
	if other, ok := s.moved[boot]; ok {
		boot = other
	}
	i := slices.IndexFunc(s.boots, func(b model.Boot) bool { return b.Number == boot })
	if i < 0 {
		s.mu.Unlock()
		return fmt.Errorf("date boot %d: %w", boot, errBoot)
	}
	if n := len(s.boots[i].Estimates); n > 0 && sameEstimate(s.boots[i].Estimates[n-1], e) {
		s.mu.Unlock()
		return nil
	}
	s.boots[i].Estimates = append(slices.Clip(s.boots[i].Estimates), e)
	s.dirty[boot], s.sealDue = true, true
	s.mu.Unlock()
	if s.running.Load() {
		s.nudge()
		return nil
	}
	return s.sealNow()
}

func sameEstimate(a, b model.ClockEstimate) bool {
	drift := (b.Wall - int64(b.At)) - (a.Wall - int64(a.At))
	return a.Source == b.Source && -int64(time.Millisecond) < drift && drift < int64(time.Millisecond)
}

// Clock returns the table of boots as it is now.
func (s *Store) Clock() model.Clock {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return model.Clock{Boots: slices.Clone(s.boots)}
}

// PutSetup keeps a configuration as it was from an instant on. The same again
// is not kept twice.
func (s *Store) PutSetup(at model.Instant, setup model.Setup) error {
	if err := s.readOnly(); err != nil {
		return err
	}
	text, err := json.Marshal(setup)
	if err != nil {
		return fmt.Errorf("keep setup: %w", err)
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mu.Lock()
	if n := len(s.setups); n > 0 && s.setupLost == nil && bytes.Equal(s.setups[n-1].text, text) {
		s.mu.Unlock()
		return nil
	}
	s.setups, s.setupLost = append(s.setups, datedSetup{at: at, text: text}), nil
	s.mu.Unlock()
	return s.seal()
}

// Setup returns the newest configuration that can be read; false when there is
// none. The error wraps ErrDamaged when a newer one was kept and cannot be read.
func (s *Store) Setup() (setup model.Setup, found bool, damage error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if len(s.setups) == 0 {
		return setup, false, s.setupLost
	}
	if err := json.Unmarshal(s.setups[len(s.setups)-1].text, &setup); err != nil {
		return model.Setup{}, false, damaged("decode the configuration: %v", err)
	}
	return setup, true, s.setupLost
}

// Setups yields every readable configuration kept with the instant from which
// it was in force, oldest first.
func (s *Store) Setups() iter.Seq2[model.Setup, model.Instant] {
	return func(yield func(model.Setup, model.Instant) bool) {
		s.mu.RLock()
		memory := slices.DeleteFunc(slices.Clone(s.setups), func(d datedSetup) bool { return d.sealed })
		s.mu.RUnlock()
		var all []datedSetup
		_ = s.data.view(func(tx *bolt.Tx) error {
			c := tx.Bucket(bucketSetups).Cursor()
			for k, v := c.First(); k != nil; k, v = c.Next() {
				at, err := parseKey(k)
				text, wrong := unwrap(k, v)
				if err == nil && wrong == nil {
					all = append(all, datedSetup{at: at, text: bytes.Clone(text)})
				}
			}
			return nil
		}) // what cannot be read is left to verify
		for _, d := range append(all, memory...) {
			var setup model.Setup
			if json.Unmarshal(d.text, &setup) == nil && !yield(setup, d.at) {
				return
			}
		}
	}
}

// Last returns the newest instant of anything kept; zero when there is nothing.
func (s *Store) Last() model.Instant {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.last
}
