package store

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"iter"
	"slices"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// copyBytes is after how much a read transaction that copies entries ends.
const copyBytes = 64 << 10

// Events returns the events within the query's span in the order of their
// Seq, those not yet sealed included. Query.Newest counts events; Query.Points
// plays no part. A damaged event is yielded as an error that wraps
// ErrDamaged; going on gives what follows it.
func (s *Store) Events(q model.Query) iter.Seq2[model.Event, error] {
	if q.Newest > 0 {
		return s.newestEvents(q)
	}
	return func(yield func(model.Event, error) bool) {
		memory, last := s.eventsInMemory()
		for e, err := range s.sealedEvents(q, last) {
			if !yield(e, err) {
				return
			}
		}
		for _, e := range memory {
			if q.Within(e.At) && !yield(e, nil) {
				return
			}
		}
	}
}

// eventsInMemory returns them and the highest Seq that was sealed before them.
func (s *Store) eventsInMemory() ([]model.Event, uint64) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if len(s.events) == 0 {
		return nil, s.lastSeq
	}
	return slices.Clip(s.events), s.events[0].Seq - 1
}

func (s *Store) sealedEvents(q model.Query, last uint64) iter.Seq2[model.Event, error] {
	return func(yield func(model.Event, error) bool) {
		from := []byte{0}
		for {
			var page [][2][]byte
			err := s.data.view(func(tx *bolt.Tx) error {
				page = s.data.copyPage(tx.Bucket(bucketEvents), from)
				return nil
			})
			if err != nil {
				yield(model.Event{}, fmt.Errorf("read events: %w", err))
				return
			}
			for _, kv := range page {
				from = append(kv[0], 0)
				e, in, err := readEvent(kv[0], kv[1], q)
				if err == nil && in && e.Seq > last {
					return // sealed after this began, and in memory then
				}
				if (in || err != nil) && !yield(e, err) {
					return
				}
			}
			if len(page) == 0 {
				return
			}
		}
	}
}

// copyPage copies some entries from a key on; none at the end.
func (d *data) copyPage(bucket *bolt.Bucket, from []byte) (page [][2][]byte) {
	c, size := bucket.Cursor(), 0
	for k, v := c.Seek(from); k != nil && size < copyBytes; k, v = c.Next() {
		page = append(page, [2][]byte{bytes.Clone(k), bytes.Clone(v)})
		size += len(v)
	}
	d.touched.Add(int64(size))
	return page
}

// readEvent decodes an event if the query wants it.
func readEvent(k, v []byte, q model.Query) (e model.Event, in bool, err error) {
	if len(k) != 8 {
		return e, false, damaged("event key %x has a wrong length", k)
	}
	seq := binary.BigEndian.Uint64(k)
	text, err := unwrap(k, v)
	if err != nil {
		return e, false, fmt.Errorf("read event %d: %w", seq, err)
	}
	_, at, _, err := eventHead(text)
	if err != nil {
		return e, false, damaged("read event %d: %v", seq, err)
	}
	if !q.Within(at) {
		return e, false, nil
	}
	if e, err = decodeEvent(text); err != nil || e.Seq != seq {
		return e, false, damaged("read event %d: %v", seq, err)
	}
	return e, true, nil
}

func (s *Store) newestEvents(q model.Query) iter.Seq2[model.Event, error] {
	return func(yield func(model.Event, error) bool) {
		newest := q.Newest
		q.Newest = 0
		var held []model.Event
		for e, err := range s.Events(q) {
			if err != nil {
				if !yield(e, err) {
					return
				}
				continue
			}
			if held = append(held, e); len(held) > 2*newest {
				held = append(held[:0], held[len(held)-newest:]...)
			}
		}
		for _, e := range held[max(len(held)-newest, 0):] {
			if !yield(e, nil) {
				return
			}
		}
	}
}
