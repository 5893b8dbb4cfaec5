package store

import (
	"bytes"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// skipToNewest moves the query's begin so far forward that only the newest
// scans asked for are left.
func (r *groupReader) skipToNewest() {
	left := r.query.Newest
	if left <= 0 {
		return
	}
	for i := len(r.memory) - 1; i >= 0; i-- {
		if r.countBack(r.memory[i], &left) {
			return
		}
	}
	key := blockKey(r.end)
	for {
		var value []byte
		err := r.store.data.view(func(tx *bolt.Tx) error {
			key, value = blockBefore(tx, r.name, key)
			return nil
		})
		if err != nil {
			r.err = fmt.Errorf("read blocks of %s: %w", r.name, err)
			return
		}
		if key == nil {
			return
		}
		b, err := openBlock(key, value)
		if err != nil {
			continue // met again, and told, on the way forward
		}
		rows, err := r.store.decodeBlock(r.name, b, func(model.PointID) bool { return false }, nil)
		if err == nil && r.countBack(r.cut(rows), &left) {
			return
		}
	}
}

// countBack counts wanted rows from the end; true when the begin is found or
// nothing earlier is asked for.
func (r *groupReader) countBack(rows *rows, left *int) bool {
	wanted := len(r.query.Points) == 0 || len(wantedColumns(r.query, rows.schema)) > 0
	for i := len(rows.at) - 1; i >= 0; i-- {
		at := rows.instant(i)
		if at.Before(r.query.From) {
			return true
		}
		if !wanted || !r.query.Within(at) {
			continue
		}
		if *left--; *left == 0 {
			r.query.From = at
			r.from = blockKey(at)
			return true
		}
	}
	return false
}

// blockBefore returns copies of the last block with a smaller key.
func blockBefore(tx *bolt.Tx, group string, key []byte) (k, v []byte) {
	bucket := tx.Bucket(bucketBlocks).Bucket([]byte("g" + group))
	if bucket == nil {
		return nil, nil
	}
	c := bucket.Cursor()
	if k, _ = c.Seek(key); k == nil {
		k, v = c.Last()
	} else {
		k, v = c.Prev()
	}
	return bytes.Clone(k), bytes.Clone(v)
}
