package store

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// load reads the small tables and where each group ends. A damaged entry is
// told and done without; only an unreadable index is an error.
func (s *Store) load(tx *bolt.Tx) error {
	s.boots, s.setups, s.setupLost, s.sealed, s.told = nil, nil, nil, 0, nil
	clear(s.schemas)
	clear(s.ids)
	clear(s.mend)
	clear(s.groups)
	clear(s.gone)
	clear(s.begun)
	s.spans, s.spansKept = nil, 0
	value, err := get(tx.Bucket(bucketMeta), keySealed)
	if err == nil && len(value) == 8 {
		s.sealed = binary.BigEndian.Uint64(value)
	} else {
		s.tell("the number of the last sealed slot is unreadable; all of the ring was read again")
	}
	s.live = s.sealed + 1
	s.loadEvents(tx)
	s.loadSetup(tx)
	err = errors.Join(s.loadBoots(tx), s.loadSchemas(tx), s.loadGroups(tx))
	if tx.Bucket(bucketGone) != nil {
		s.loadKept(tx)
	}
	return err
}

func (s *Store) tell(format string, args ...any) {
	s.told = append(s.told, fmt.Sprintf(format, args...))
}

func (s *Store) loadBoots(tx *bolt.Tx) error {
	return tx.Bucket(bucketBoots).ForEach(func(k, v []byte) error {
		text, err := unwrap(k, v)
		var b keptBoot
		if err == nil {
			err = json.Unmarshal(text, &b)
		}
		if err != nil && len(k) == 4 {
			b = keptBoot{Boot: model.Boot{Number: binary.BigEndian.Uint32(k)}}
			s.tell("boot %d in the table is unreadable: its samples have no date until the clock is set again (%v)", b.Number, err)
		}
		s.boots = append(s.boots, b.Boot)
		if b.Begun {
			s.begun[b.Number] = true
		}
		return nil
	})
}

func (s *Store) loadGroups(tx *bolt.Tx) error {
	return tx.Bucket(bucketBlocks).ForEachBucket(func(name []byte) error {
		g := &group{name: string(name[1:])}
		s.groups[g.name] = g
		c := tx.Bucket(bucketBlocks).Bucket(bytes.Clone(name)).Cursor()
		skipped := uint64(0)
		for k, v := c.Last(); k != nil; k, v = c.Prev() {
			b, err := openBlock(k, v)
			if err != nil {
				s.tell("a block at the end of %s is unreadable (%v)", g.name, err)
				skipped++
				continue
			}
			g.last, g.ordinal = model.Instant{Boot: b.at.Boot, Offset: time.Duration(b.last)}, b.ordinal
			s.see(g.last)
			s.begun[b.at.Boot] = true
			break
		}
		g.ordinal += skipped
		return nil
	})
}

func (s *Store) loadEvents(tx *bolt.Tx) {
	c := tx.Bucket(bucketEvents).Cursor()
	skipped := uint64(0)
	for k, v := c.Last(); k != nil; k, v = c.Prev() {
		text, err := unwrap(k, v)
		var at model.Instant
		if err == nil {
			s.lastSeq, at, _, err = eventHead(text)
		}
		if err == nil {
			s.see(at)
			break
		}
		s.tell("an event at the end of the table is unreadable (%v)", err)
		skipped++
	}
	s.lastSeq += skipped
	s.keptSeq, s.cutSeq = s.lastSeq, s.lastSeq
}

// loadSetup takes the newest configuration that can be read and notes the damage
// of those that are newer.
func (s *Store) loadSetup(tx *bolt.Tx) {
	c := tx.Bucket(bucketSetups).Cursor()
	for k, v := c.Last(); k != nil; k, v = c.Prev() {
		at, err := parseKey(k)
		var text []byte
		if err == nil {
			text, err = unwrap(k, v)
		}
		if err == nil {
			err = json.Unmarshal(text, &model.Setup{})
		}
		if err == nil {
			s.setups = []datedSetup{{at, bytes.Clone(text), true}}
			return
		}
		s.setupLost = cmp.Or(s.setupLost, damaged("read the configuration of key %x: %v", k, err))
		s.tell("the newest configuration cannot be read (%v)", err)
	}
}

// loadKept reads which samples may not be thinned out, and which were.
func (s *Store) loadKept(tx *bolt.Tx) {
	each := func(bucket []byte, take func(k, payload []byte) error) {
		c := tx.Bucket(bucket).Cursor()
		for k, v := c.First(); k != nil; k, v = c.Next() {
			payload, err := unwrap(k, v)
			if err == nil {
				err = take(k, payload)
			}
			if err != nil {
				s.tell("an entry of table %s is unreadable (%v)", bucket, err)
			}
		}
	}
	each(bucketKept, func(k, payload []byte) error {
		from, err := parseKey(k)
		to, wrong := parseKey(payload)
		s.spans = append(s.spans, model.Span{From: from, To: to})
		return errors.Join(err, wrong)
	})
	s.spansKept = len(s.spans)
	each(bucketGone, func(k, payload []byte) error {
		if len(payload) != 8 {
			return errBlock
		}
		s.gone[string(k)] = binary.BigEndian.Uint64(payload)
		return nil
	})
	for name, ordinal := range s.gone {
		g := s.group(name)
		g.ordinal = max(g.ordinal, ordinal)
	}
}
