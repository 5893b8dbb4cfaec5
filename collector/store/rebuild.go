package store

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// Copied is what went into a new store.
type Copied struct {
	Blocks, Minutes, Events, Photos int // entries, minutes in chunks of up to six hours
	Missing                         []string
}

// rebuilding fills a new data file.
type rebuilding struct {
	data     *data
	origin   string
	ring     string // folder of a ring that goes with it; empty when what is copied agrees with itself
	copied   Copied
	ordinals map[string]uint64
	schemas  map[uint32][]byte
	gone     map[string]uint64 // by group, the highest ordinal that the copy lacks
	lastSeq  uint64
	last     model.Instant
	batch    []record
	missed   int
	size     int
}

// batchBytes is how much one transaction of a copy takes.
const batchBytes = 1 << 20

// rebuild makes a new store in an empty folder from records. A record that is
// not what was kept is left out and told, here and by an event in the new
// store, where origin says what it was made from; an empty one says nothing
// unless something is missing. ring is the folder of the ring that what was
// salvaged goes with, else empty. Nothing bears the data file's name before all of it is there.
func rebuild(ctx context.Context, dir, origin, ring string, records iter.Seq2[record, error]) (Copied, error) {
	path, err := emptyFolder(dir)
	if err != nil {
		return Copied{}, err
	}
	part := filepath.Join(dir, "part")
	if err := os.Mkdir(part, 0o700); err != nil {
		return Copied{}, fmt.Errorf("make new store: %w", err)
	}
	defer os.RemoveAll(part)
	fresh := filepath.Join(part, dataName)
	o := Options{Dir: part}.withDefaults()
	if err := createData(o, fresh); err != nil {
		return Copied{}, err
	}
	d, err := openData(o, fresh)
	if err != nil {
		return Copied{}, err
	}
	b := &rebuilding{data: d, origin: origin, ring: ring, ordinals: map[string]uint64{}, schemas: map[uint32][]byte{}, gone: map[string]uint64{}}
	err = b.fill(ctx, records)
	if err = errors.Join(err, d.close()); err != nil {
		return b.copied, err
	}
	if err := os.Rename(fresh, path); err != nil {
		return b.copied, fmt.Errorf("make new store: %w", err)
	}
	return b.copied, syncDir(dir)
}

// emptyFolder makes the folder and returns the data file's path in it.
func emptyFolder(dir string) (string, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", fmt.Errorf("make new store: %w", err)
	}
	found, err := os.ReadDir(dir)
	if err != nil {
		return "", fmt.Errorf("make new store: %w", err)
	}
	if len(found) > 0 {
		return "", fmt.Errorf("make new store: folder %s is not empty (choose another)", dir)
	}
	return filepath.Join(dir, dataName), nil
}

func (b *rebuilding) fill(ctx context.Context, records iter.Seq2[record, error]) error {
	for r, err := range records {
		if err == nil {
			err = r.check()
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		switch {
		case errors.Is(err, errCutOff), errors.Is(err, errLaterBackup):
			return err
		case err != nil:
			b.miss(err)
			continue
		}
		b.batch = append(b.batch, r)
		if b.size += len(r.value); b.size >= batchBytes {
			if err := b.flush(); err != nil {
				return err
			}
		}
	}
	if err := errors.Join(b.flush(), b.putSpares()); err != nil {
		return err
	}
	if b.ring != "" {
		if err := b.mend(ctx); err != nil {
			return err
		}
	}
	return errors.Join(b.tell(), b.tellGone())
}

// mostMissing is how many missing entries are named.
const mostMissing = 1000

// miss names an entry that is not what was kept; the last line counts those
// beyond mostMissing.
func (b *rebuilding) miss(err error) {
	if b.missed++; b.missed <= mostMissing {
		b.copied.Missing = append(b.copied.Missing, err.Error())
		return
	}
	b.copied.Missing = append(b.copied.Missing[:mostMissing], fmt.Sprintf("%d more entries", b.missed-mostMissing))
}

// putSpares writes the spare of every schema, behind all the rest, and the
// schemas of which nothing but the spare came.
func (b *rebuilding) putSpares() error {
	return b.data.update(func(tx *bolt.Tx) error {
		for id, text := range b.schemas {
			write := putSpare
			if tx.Bucket(bucketSchemas).Get(schemaKey(id)) == nil {
				write = putSchema
			}
			if err := write(tx, id, text); err != nil {
				return fmt.Errorf("copy into new store: %w", err)
			}
		}
		return nil
	})
}

func (b *rebuilding) flush() error {
	batch := b.batch
	b.batch, b.size = nil, 0
	return b.data.update(func(tx *bolt.Tx) error {
		for _, r := range batch {
			if err := b.put(tx, r); err != nil {
				return fmt.Errorf("copy into new store: %w", err)
			}
		}
		return nil
	})
}

func (b *rebuilding) put(tx *bolt.Tx, r record) error {
	bucket, err := tx.CreateBucketIfNotExists(recordBuckets[r.kind])
	if err == nil && r.group != "" {
		bucket, err = bucket.CreateBucketIfNotExists([]byte("g" + r.group))
	}
	if err != nil {
		return err
	}
	bucket.FillPercent = 1
	payload, err := unwrap(r.key, r.value)
	if err != nil {
		return err
	}
	switch r.kind {
	case recordSchema:
		if len(r.key) == 4 {
			b.schemas[binary.BigEndian.Uint32(r.key)] = bytes.Clone(payload)
		}
	case recordSpare:
		text, _, err := decodeSpare(payload)
		if id, ok := parseSpareKey(r.key); ok && err == nil {
			b.schemas[id] = text
		}
		return nil // written behind all the rest
	case recordBlock:
		b.copied.Blocks++
		if payload, err = b.numbered(r); err != nil {
			return err
		}
	case recordMinutes:
		b.copied.Minutes++
	case recordPhoto:
		b.copied.Photos++
	case recordEvent:
		b.copied.Events++
		seq, at, _, err := eventHead(payload)
		if err == nil && seq > b.lastSeq {
			b.lastSeq, b.last = seq, at
		}
	}
	return put(bucket, r.key, payload)
}

// numbered returns a block's payload with the number that it had, so that what
// the copy lacks shows there as it did. Of two that had one number the second
// gets the next.
func (b *rebuilding) numbered(r record) ([]byte, error) {
	block, err := openBlock(r.key, r.value)
	if err != nil {
		return nil, err
	}
	next := b.ordinals[r.group] + 1
	number := max(block.ordinal, next)
	if number > next {
		b.gone[r.group] = number - 1
	}
	b.ordinals[r.group] = number
	return renumbered(r, number)
}

// tellGone notes which blocks the copy lacks; the one after the last is among
// them when the minutes go on for longer than the blocks.
func (b *rebuilding) tellGone() error {
	return b.data.update(func(tx *bolt.Tx) error {
		err := tx.Bucket(bucketMinutes).ForEachBucket(func(name []byte) error {
			group := string(name[1:])
			k, _ := recordBucket(tx, recordMinutes, group).Cursor().Last()
			boot, _, _, err := parseMinuteKey(k)
			if err != nil {
				return nil
			}
			minute, _ := lastMinute(tx, group, boot)
			bucket := recordBucket(tx, recordBlock, group)
			if bucket == nil {
				b.gone[group] = 1
				return nil
			}
			block, err := openBlock(bucket.Cursor().Last())
			if err == nil && (boot > block.at.Boot || boot == block.at.Boot && minute > floorDiv(block.last, int64(time.Minute))) {
				b.gone[group] = max(b.gone[group], block.ordinal+1)
			}
			return nil
		})
		for group, ordinal := range b.gone {
			err = errors.Join(err, put(tx.Bucket(bucketGone), []byte(group), binary.BigEndian.AppendUint64(nil, ordinal)))
		}
		return err
	})
}

// tell puts where the new store is from and what is missing on its timeline.
func (b *rebuilding) tell() error {
	text := b.origin
	if n := b.missed; n > 0 {
		text = fmt.Sprintf("%s: %d entries could not be read, the first: %s", cmp.Or(text, "this store is a copy"), n, b.copied.Missing[0])
	}
	if text == "" {
		return nil
	}
	at := b.last
	if at.IsZero() {
		at.Boot = 1
	}
	e := model.Event{Seq: b.lastSeq + 1, At: at, Kind: model.StoreEvent, Text: text}
	encoded, err := encodeEvent(e)
	if err != nil {
		return err
	}
	key := binary.BigEndian.AppendUint64(nil, e.Seq)
	return b.data.update(func(tx *bolt.Tx) error { return put(tx.Bucket(bucketEvents), key, encoded) })
}
