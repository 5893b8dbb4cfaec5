package store

import (
	"encoding/binary"
	"math"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// uncovered returns those of a group's next minutes that are not stored yet.
// Minutes outlive the blocks they were made from: when the newest block was
// lost, the ring gives its rows back, and their minutes must neither be told
// twice nor stand beside the stored ones. end is the last minute of the blocks
// before these rows, in their boot.
func (s *Store) uncovered(tx *bolt.Tx, m *minutes, end int64, lost bool) *minutes {
	stored, ok := lastMinute(tx, m.schema.group, m.boot)
	if !ok || m.at[0] > stored || m.at[0] == stored && (end >= stored || !lost) {
		return m
	}
	from := 0
	for from < len(m.at) && m.at[from] <= stored {
		from++
	}
	return m.slice(from, len(m.at))
}

// lastMinute reads which minute of a boot is the last one stored.
func lastMinute(tx *bolt.Tx, group string, boot uint32) (minute int64, ok bool) {
	bucket := tx.Bucket(bucketMinutes).Bucket([]byte("g" + group))
	if bucket == nil {
		return 0, false
	}
	k, v := bucket.Cursor().Last()
	of, minute, id, err := parseMinuteKey(k)
	if err != nil || of != boot {
		return 0, false
	}
	payload, err := unwrap(k, v)
	if err != nil {
		return minute, true // of an unreadable chunk only the beginning is known
	}
	text, err := get(tx.Bucket(bucketSchemas), binary.BigEndian.AppendUint32(nil, id))
	if err != nil {
		return minute, true
	}
	sc, err := decodeSchema(text)
	if err != nil {
		return minute, true
	}
	m, err := decodeMinutes(payload, sc, boot, func(model.PointID) bool { return false })
	if err != nil {
		return minute, true
	}
	return m.at[len(m.at)-1], true
}

// lastBlockMinute returns the minute in which a group's newest readable block
// of a boot ends, and whether a block after it may have been lost: one that
// was thinned out was not.
func (s *Store) lastBlockMinute(bucket *bolt.Bucket, group string, boot uint32) (end int64, lost bool) {
	gone := s.gone[group]
	c := bucket.Cursor()
	for k, v := c.Last(); k != nil; k, v = c.Prev() {
		b, err := openBlock(k, v)
		if err != nil {
			continue
		}
		if b.at.Boot != boot {
			break
		}
		return floorDiv(b.last, int64(time.Minute)), b.ordinal > gone
	}
	return math.MinInt64, gone == 0
}
