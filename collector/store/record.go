package store

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"iter"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// recordKind says which table a record belongs to.
type recordKind byte

// The kinds of record, in the order in which they are copied.
const (
	recordEnd recordKind = iota
	recordBoot
	recordSchema
	recordSetup
	recordKept
	recordPhoto
	recordBlock
	recordMinutes
	recordEvent
	recordSpare
	recordKinds
)

var recordBuckets = [recordKinds][]byte{recordBoot: bucketBoots, recordSchema: bucketSchemas, recordSetup: bucketSetups, recordKept: bucketKept,
	recordPhoto: bucketPhotos, recordBlock: bucketBlocks, recordMinutes: bucketMinutes, recordEvent: bucketEvents, recordSpare: bucketSpares}

// record is one entry of a store on its way into another: checksum and all.
type record struct {
	kind       recordKind
	group      string // of blocks and minutes
	key, value []byte
}

// check reports whether the entry is what was kept.
func (r record) check() error {
	if r.kind == recordEnd || r.kind >= recordKinds {
		return damaged("record of unknown kind %d", r.kind)
	}
	_, err := unwrap(r.key, r.value)
	return err
}

// inSpan reports whether a record belongs to a copy of a span. Tables are
// copied whole, and a block that touches the span is.
func (r record) inSpan(span model.Span) bool {
	if span == (model.Span{}) {
		return true
	}
	payload, err := unwrap(r.key, r.value)
	if err != nil {
		return true // told by whoever copies
	}
	q := model.Query{From: span.From, To: span.To}
	switch r.kind {
	case recordBlock:
		b, err := openBlock(r.key, r.value)
		last := model.Instant{Boot: b.at.Boot, Offset: time.Duration(b.last)}
		return err != nil || (span.To.IsZero() || b.at.Before(span.To)) && !last.Before(span.From)
	case recordMinutes:
		boot, minute, _, err := parseMinuteKey(r.key)
		first := model.Instant{Boot: boot, Offset: time.Duration(minute) * time.Minute}
		return err != nil || (span.To.IsZero() || first.Before(span.To.Add(stretch))) && !first.Add(tierChunk*time.Minute).Before(span.From)
	case recordEvent:
		_, at, _, err := eventHead(payload)
		return err != nil || q.Within(at)
	}
	return true
}

// records yields everything in the data file within a span. It reads a few
// entries at a time, so no transaction is open while the caller writes. What
// is sealed after it began may be missing, nothing else.
func (s *Store) records(span model.Span) iter.Seq2[record, error] {
	return func(yield func(record, error) bool) {
		for kind := recordBoot; kind < recordKinds; kind++ {
			names := []string{""}
			if kind == recordBlock || kind == recordMinutes {
				s.mu.RLock()
				names = s.groupNames()
				s.mu.RUnlock()
			}
			for _, name := range names {
				if !s.table(kind, name, span, yield) {
					return
				}
			}
		}
	}
}

// table yields one table; false when the caller has enough.
func (s *Store) table(kind recordKind, group string, span model.Span, yield func(record, error) bool) bool {
	from := []byte{0}
	for {
		var page [][2][]byte
		err := s.data.view(func(tx *bolt.Tx) error {
			if bucket := recordBucket(tx, kind, group); bucket != nil {
				page = s.data.copyPage(bucket, from)
			}
			return nil
		})
		if err != nil {
			return yield(record{}, fmt.Errorf("read table %s: %w", recordBuckets[kind], err))
		}
		for _, kv := range page {
			from = append(bytes.Clone(kv[0]), 0)
			r := record{kind, group, kv[0], kv[1]}
			if r.inSpan(span) && !yield(r, nil) {
				return false
			}
		}
		if len(page) == 0 {
			return true
		}
	}
}

func recordBucket(tx *bolt.Tx, kind recordKind, group string) *bolt.Bucket {
	bucket := tx.Bucket(recordBuckets[kind])
	if bucket == nil || group == "" {
		return bucket
	}
	return bucket.Bucket([]byte("g" + group))
}

// renumbered returns a block's value with another ordinal.
func renumbered(r record, ordinal uint64) ([]byte, error) {
	b, err := openBlock(r.key, r.value)
	if err != nil {
		return nil, err
	}
	payload := binary.AppendUvarint(nil, uint64(b.schema))
	return append(binary.AppendUvarint(payload, ordinal), b.body...), nil
}
