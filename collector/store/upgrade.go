package store

import (
	"encoding/binary"
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// upgrade brings a file of an earlier format up to this one. The number is
// raised last, so that a cut on the way only means doing it again. Format 2
// lacks nothing but lags, which nobody can make up for.
func (s *Store) upgrade() error {
	if s.data.format < 2 {
		if err := s.addMinutes(); err != nil {
			return err
		}
	}
	s.tell("the store was upgraded to format %d", format)
	s.data.format = format
	return s.data.update(func(tx *bolt.Tx) error {
		return put(tx.Bucket(bucketMeta), keyFormat, binary.BigEndian.AppendUint32(nil, format))
	})
}

// addMinutes works out the minutes and the spans to be kept.
func (s *Store) addMinutes() error {
	if err := s.data.update(makeLaterBuckets); err != nil {
		return err
	}
	readers := s.groupReaders(model.Query{})
	for _, r := range readers {
		if err := s.upgradeGroup(r); err != nil {
			return err
		}
	}
	for e, err := range s.Events(model.Query{}) {
		if err == nil {
			s.keepAround(e)
		}
	}
	return nil
}

// makeLaterBuckets makes them empty, whatever an upgrade that was cut short
// left in them.
func makeLaterBuckets(tx *bolt.Tx) error {
	for _, name := range laterBuckets {
		if tx.Bucket(name) != nil {
			if err := tx.DeleteBucket(name); err != nil {
				return err
			}
		}
		if _, err := tx.CreateBucket(name); err != nil {
			return err
		}
	}
	return nil
}

// upgradeGroup works out a group's minutes, a day's blocks at a time.
func (s *Store) upgradeGroup(r *groupReader) error {
	for done := false; !done; {
		err := s.data.update(func(tx *bolt.Tx) error {
			for range 144 {
				rows := r.nextBlock(tx)
				if done = rows == nil; done {
					return nil
				}
				id, ok := s.ids[string(rows.schema.encode())]
				if !ok {
					continue
				}
				if err := s.writeMinutes(tx, id, summarise(rows)); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return fmt.Errorf("work out minutes of %s: %w", r.name, err)
		}
	}
	return nil
}

// nextBlock reads within a transaction that is open already; damaged blocks
// are passed over, as readers tell of them.
func (r *groupReader) nextBlock(tx *bolt.Tx) *rows {
	bucket := tx.Bucket(bucketBlocks).Bucket([]byte("g" + r.name))
	if bucket == nil {
		return nil
	}
	for {
		k, v := bucket.Cursor().Seek(r.from)
		if k == nil {
			return nil
		}
		r.from = append(append([]byte(nil), k...), 0)
		b, err := openBlock(k, v)
		if err != nil {
			continue
		}
		rows, err := r.store.decodeBlock(r.name, b, nil, &r.room)
		if err == nil {
			return rows
		}
		if !errors.Is(err, ErrDamaged) {
			return nil
		}
	}
}
