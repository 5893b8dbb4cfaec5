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

// tierChunk is how many minutes one value of the tier spans. It is written
// anew with every block until it is full, then never again.
const tierChunk = 360

// minuteKey orders like blockKey. The schema is part of it, because columns
// may change within a minute; its length tells it from a block's, should it
// have to be salvaged.
func minuteKey(boot uint32, minute int64, schema uint32) []byte {
	k := binary.BigEndian.AppendUint32([]byte{'m'}, boot)
	k = binary.BigEndian.AppendUint32(k, uint32(minute)^1<<31)
	return binary.BigEndian.AppendUint32(k, schema)
}

func parseMinuteKey(k []byte) (boot uint32, minute int64, schema uint32, err error) {
	if len(k) != 13 || k[0] != 'm' {
		return 0, 0, 0, damaged("key %x of the minutes is wrong", k)
	}
	minute = int64(int32(binary.BigEndian.Uint32(k[5:]) ^ 1<<31))
	return binary.BigEndian.Uint32(k[1:]), minute, binary.BigEndian.Uint32(k[9:]), nil
}

// writeMinutes puts minutes behind those that are there, in chunks.
func (s *Store) writeMinutes(tx *bolt.Tx, schema uint32, m *minutes) error {
	bucket, err := tx.Bucket(bucketMinutes).CreateBucketIfNotExists([]byte("g" + m.schema.group))
	if err != nil {
		return err
	}
	bucket.FillPercent = 1
	var extended []byte // key of the value that m now begins with
	alone := -1         // index of a minute that other columns may share
	if k, v := bucket.Cursor().Last(); k != nil {
		if all := joined(k, v, schema, m); all != m {
			m, extended = all, bytes.Clone(k)
		} else {
			alone = 0
		}
	}
	for from := 0; from < len(m.at); {
		key := minuteKey(m.boot, m.at[from], schema)
		to := chunkEnd(m, from)
		if from == alone {
			to = from + 1
		}
		part := m.slice(from, to)
		from = to
		if v := bucket.Get(key); v != nil && !bytes.Equal(key, extended) {
			part = joined(key, v, schema, part)
		}
		if err := put(bucket, key, part.encode()); err != nil {
			return err
		}
	}
	return nil
}

// chunkEnd returns the index after the last minute of the chunk that from is in.
func chunkEnd(m *minutes, from int) int {
	to := from + 1
	for to < len(m.at) && floorDiv(m.at[to], tierChunk) == floorDiv(m.at[from], tierChunk) {
		to++
	}
	return to
}

// joined puts minutes behind those of a stored value when they belong there.
func joined(k, v []byte, schema uint32, m *minutes) *minutes {
	boot, _, of, err := parseMinuteKey(k)
	payload, wrong := unwrap(k, v)
	if err != nil || wrong != nil || boot != m.boot || of != schema {
		return m
	}
	stored, err := decodeMinutes(payload, m.schema, boot, nil)
	if err != nil || floorDiv(stored.at[0], tierChunk) != floorDiv(m.at[0], tierChunk) || stored.at[len(stored.at)-1] > m.at[0] {
		return m
	}
	stored.join(m)
	return stored
}

// Minutes are consecutive minutes of one group in one boot.
type Minutes struct {
	Group   string
	Boot    uint32
	At      []int64 // begin of each minute on the boot's clock, ns; each lasts 60 s
	Points  []model.PointID
	Columns []MinuteColumn // of each point
}

// Instant returns the begin of minute i.
func (m *Minutes) Instant(i int) model.Instant {
	return model.Instant{Boot: m.Boot, Offset: time.Duration(m.At[i])}
}

// Minutes returns the minutes that begin within the query's span, one group
// after another, the newest rows included. They are kept for ever, also when
// the samples they were made from are not. Query.Newest plays no part. What is
// yielded must not be changed; damage is yielded as by Scans.
func (s *Store) Minutes(q model.Query) iter.Seq2[*Minutes, error] {
	return func(yield func(*Minutes, error) bool) {
		q.Newest = 0
		q.From = minuteBegin(q.From)
		for _, r := range s.groupReaders(q) {
			if !r.minutes(yield) {
				return
			}
		}
	}
}

// minutes yields a group's stored minutes, then those of the rows in memory.
// A minute that is in both, in two parts, comes as one.
func (r *groupReader) minutes(yield func(*Minutes, error) bool) bool {
	var held *minutes
	show := func(m *minutes) bool {
		if held != nil && sameSchema(held.schema, m.schema) && held.boot == m.boot && held.at[len(held.at)-1] == m.at[0] {
			held.join(m)
			return true
		}
		before := held
		held = m
		return before == nil || r.yieldMinutes(before, yield)
	}
	for m, err := range r.storedMinutes() {
		if err != nil && !yield(nil, err) || err == nil && !show(m) {
			return false
		}
	}
	for _, rows := range r.memory {
		if !show(summarise(rows)) {
			return false
		}
	}
	return held == nil || r.yieldMinutes(held, yield)
}

// storedMinutes reads one value after another, in no transaction of its own.
// A file of format 1 has none: they are worked out from its blocks.
func (r *groupReader) storedMinutes() iter.Seq2[*minutes, error] {
	return func(yield func(*minutes, error) bool) {
		if r.store.data.format < 2 {
			r.minutesFromBlocks(yield)
			return
		}
		first := floorDiv(int64(r.query.From.Offset), int64(time.Minute))
		key := minuteKey(r.query.From.Boot, max(first-tierChunk, -1<<31), 0)
		for key != nil {
			k, v, fault := r.leaves.seek(r.store.data, bucketMinutes, r.name, key)
			if fault != nil {
				if key = r.leaves.next; !yield(nil, fmt.Errorf("read minutes of %s: %w", r.name, fault)) {
					return
				}
				continue
			}
			if k == nil {
				return
			}
			m, err := r.openMinutes(k, v)
			if err == nil && len(r.memory) > 0 && !m.instant(len(m.at)-1).Before(minuteBegin(r.end)) {
				r.lastMinutes(bytes.Clone(k), yield)
				return
			}
			key = append(bytes.Clone(k), 0)
			if !r.showStored(m, err, yield) {
				return
			}
		}
	}
}

// showStored yields a value and reports whether to go on.
func (r *groupReader) showStored(m *minutes, err error, yield func(*minutes, error) bool) bool {
	past := err == nil && !r.query.To.IsZero() && !m.instant(0).Before(r.query.To)
	return !past && yield(m, err)
}

// lastMinutes reads the values from a key on in one transaction, which also
// shows whether the rows in memory were sealed since the reader began: their
// minutes are stored then, and must not be counted from memory again.
func (r *groupReader) lastMinutes(key []byte, yield func(*minutes, error) bool) {
	var keys, values [][]byte
	sealed := false
	err := r.store.data.view(func(tx *bolt.Tx) error {
		c := tx.Bucket(bucketMinutes).Bucket([]byte("g" + r.name)).Cursor()
		for k, v := c.Seek(key); k != nil; k, v = c.Next() {
			keys, values = append(keys, bytes.Clone(k)), append(values, bytes.Clone(v))
		}
		sealed = reaches(tx, r.name, r.end)
		return nil
	})
	if err != nil {
		yield(nil, fmt.Errorf("read minutes of %s: %w", r.name, err))
		return
	}
	if sealed {
		r.memory = nil
	}
	for i, k := range keys {
		if m, err := r.openMinutes(k, values[i]); !r.showStored(m, err, yield) {
			return
		}
	}
}

// reaches reports whether a group's newest block holds rows from an instant on.
func reaches(tx *bolt.Tx, group string, at model.Instant) bool {
	bucket := tx.Bucket(bucketBlocks).Bucket([]byte("g" + group))
	if bucket == nil {
		return false
	}
	k, v := bucket.Cursor().Last()
	b, err := openBlock(k, v)
	last := model.Instant{Boot: b.at.Boot, Offset: time.Duration(b.last)}
	return err == nil && !last.Before(at)
}

func (m *minutes) instant(i int) model.Instant {
	return model.Instant{Boot: m.boot, Offset: time.Duration(m.at[i]) * time.Minute}
}

func (r *groupReader) openMinutes(k, v []byte) (*minutes, error) {
	boot, minute, id, err := parseMinuteKey(k)
	if err != nil {
		return nil, err
	}
	where := fmt.Sprintf("minutes of %s from %d+%s", r.name, boot, time.Duration(minute)*time.Minute)
	payload, err := unwrap(k, v)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", where, err)
	}
	r.store.mu.RLock()
	sc := r.store.schemas[id]
	r.store.mu.RUnlock()
	if sc == nil || sc.group != r.name {
		return nil, damaged("%s: schema %d unknown", where, id)
	}
	want := r.query.Wants
	if len(r.query.Points) == 0 {
		want = nil
	}
	m, err := decodeMinutes(payload, sc, boot, want)
	if err != nil || m.at[0] != minute {
		return nil, damaged("%s: %v", where, err)
	}
	return m, nil
}

func (r *groupReader) minutesFromBlocks(yield func(*minutes, error) bool) {
	memory := r.memory
	r.memory = nil
	for {
		rows := r.nextRows()
		if r.err != nil {
			err := r.err
			if r.err = nil; !yield(nil, err) {
				return
			}
			continue
		}
		if rows == nil {
			r.memory = memory
			return
		}
		if !yield(summarise(rows), nil) {
			return
		}
	}
}

// yieldMinutes hands on what the query asks for.
func (r *groupReader) yieldMinutes(m *minutes, yield func(*Minutes, error) bool) bool {
	from, to := 0, len(m.at)
	for from < to && !r.query.Within(m.instant(from)) {
		from++
	}
	for to > from && !r.query.Within(m.instant(to-1)) {
		to--
	}
	cols := wantedColumns(r.query, m.schema)
	if from == to || len(cols) == 0 {
		return true
	}
	out := &Minutes{Group: r.name, Boot: m.boot, At: make([]int64, to-from)}
	for i, minute := range m.at[from:to] {
		out.At[i] = minute * int64(time.Minute)
	}
	for _, c := range cols {
		out.Points, out.Columns = append(out.Points, m.schema.points[c]), append(out.Columns, m.cols[c].slice(from, to))
	}
	return yield(out, nil)
}
