package store

import (
	"encoding/binary"
	"maps"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// thinning is what one seal may take away: the oldest blocks, a few at a
// time, so that the file stays bounded and no transaction grows large. Their
// minutes stay, and so does every block that touches a span to be kept.
type thinning struct {
	excess int64             // bytes to win; 0 or less means none
	before model.Instant     // blocks that end before it are too old; zero means none are
	spans  []model.Span      // not to be touched
	gone   map[string]uint64 // by group, the highest ordinal taken away
	taken  int               // blocks
	events eventThinning
}

// thinning works out what is too much now.
func (s *Store) thinning() thinning {
	used := s.data.used() // not under the lock: it reads the file
	s.mu.RLock()
	defer s.mu.RUnlock()
	t := thinning{spans: s.reaching(), gone: maps.Clone(s.gone), excess: used - s.opts.MaxBytes}
	t.events = s.thinEvents.clone()
	t.events.before = s.loggedBefore(s.opts.KeepEvents)
	if s.opts.KeepSamples > 0 {
		t.before = s.loggedBefore(s.opts.KeepSamples)
	}
	return t
}

// reaching are the spans to be kept; what was to follow the end of a boot is
// kept of the next.
func (s *Store) reaching() []model.Span {
	clock, spans := model.Clock{Boots: s.boots}, slices.Clone(s.spans)
	for i := range spans {
		spans[i].To = clock.Onward(spans[i].To)
	}
	return spans
}

// loggedBefore returns the instant since when so much was logged. Boots count
// from their first to their last entry; what lies between boots does not.
func (s *Store) loggedBefore(d time.Duration) model.Instant {
	for _, b := range slices.Backward(s.boots) {
		if span := b.Last - b.First; d > span {
			d -= span
			continue
		}
		return model.Instant{Boot: b.Number, Offset: b.Last - d}
	}
	return model.Instant{}
}

// used is how many bytes of the file hold something.
func (d *data) used() (n int64) {
	_ = d.viewFile(func(h *handle, tx *bolt.Tx) error {
		st := h.db.Stats()
		n = tx.Size() - int64(st.FreePageN+st.PendingPageN)*pageSize
		return nil
	})
	return n
}

// run deletes at most so many blocks.
func (t *thinning) run(tx *bolt.Tx, most int) error {
	if t.excess <= 0 && t.before.IsZero() {
		return nil
	}
	oldest := t.candidates(tx, most)
	slices.SortFunc(oldest, func(a, b candidate) int { return a.block.at.Compare(b.block.at) })
	for _, c := range oldest[:min(most, len(oldest))] {
		end := model.Instant{Boot: c.block.at.Boot, Offset: time.Duration(c.block.last)}
		if t.excess <= 0 && !end.Before(t.before) {
			continue
		}
		if err := tx.Bucket(bucketBlocks).Bucket([]byte("g" + c.group)).Delete(c.key); err != nil {
			return err
		}
		t.excess -= int64(c.size)
		t.taken++
		t.gone[c.group] = max(t.gone[c.group], c.block.ordinal)
		if err := put(tx.Bucket(bucketGone), []byte(c.group), binary.BigEndian.AppendUint64(nil, t.gone[c.group])); err != nil {
			return err
		}
	}
	return nil
}

type candidate struct {
	group string
	key   []byte
	size  int
	block block
}

// candidates lists each group's oldest blocks that may go. A block that
// cannot be read stays for salvage.
func (t *thinning) candidates(tx *bolt.Tx, most int) []candidate {
	var list []candidate
	_ = tx.Bucket(bucketBlocks).ForEachBucket(func(name []byte) error {
		bucket := tx.Bucket(bucketBlocks).Bucket(slices.Clone(name))
		c, n := bucket.Cursor(), 0
		for k, v := c.First(); k != nil && n < most; k, v = c.Next() {
			b, err := openBlock(k, v)
			if err != nil || t.holds(b) {
				continue
			}
			list = append(list, candidate{string(name[1:]), slices.Clone(k), len(v), b})
			n++
		}
		return nil
	})
	return list
}

// holds reports whether a block touches a span to be kept.
func (t *thinning) holds(b block) bool {
	first, last := b.at, model.Instant{Boot: b.at.Boot, Offset: time.Duration(b.last)}
	return slices.ContainsFunc(t.spans, func(s model.Span) bool { return first.Before(s.To) && !last.Before(s.From) })
}

// keeps reports whether an instant lies within a span to be kept.
func (t *thinning) keeps(at model.Instant) bool {
	return slices.ContainsFunc(t.spans, func(s model.Span) bool { return at.Before(s.To) && !at.Before(s.From) })
}

// thinned is the ordinal up to which a group's blocks may be missing.
func (s *Store) thinned(group string) uint64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.gone[group]
}
