package store

import (
	"bytes"
	"errors"
	"fmt"
	"iter"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// Scans returns what was kept, all groups merged in the order of their
// instants, the newest rows in memory included. Lags are to the millisecond.
// With Query.Points, scans that hold none of them are left out.
//
// What is yielded is the caller's. A damaged block is yielded as an error
// that wraps ErrDamaged; going on gives what follows it. New scans kept while
// iterating are not seen.
func (s *Store) Scans(q model.Query) iter.Seq2[*model.Scan, error] {
	return func(yield func(*model.Scan, error) bool) {
		readers := s.groupReaders(q)
		for _, r := range readers {
			r.skipToNewest()
			r.advance()
		}
		for {
			next := earliest(readers)
			if next == nil {
				return
			}
			if err := next.err; err != nil {
				next.err = nil
				if !yield(nil, err) {
					return
				}
				next.advance()
				continue
			}
			scan := next.scan()
			next.i++
			next.advance()
			if !yield(scan, nil) {
				return
			}
		}
	}
}

// earliest picks the reader whose turn it is; one with an error goes first.
func earliest(readers []*groupReader) *groupReader {
	var best *groupReader
	for _, r := range readers {
		switch {
		case r.err != nil:
			return r
		case r.now == nil:
		case best == nil || r.now.instant(r.i).Before(best.now.instant(best.i)):
			best = r
		}
	}
	return best
}

// groupReader walks one group: its blocks, then the rows that were in memory
// when it began.
type groupReader struct {
	store  *Store
	name   string
	query  model.Query
	memory []*rows
	end    model.Instant // blocks count before this only
	from   []byte        // key to look for next; nil when the blocks are done
	fresh  bool          // no block was read yet
	before uint64        // ordinal of the block before; 0 when not known
	now    *rows
	cols   []int // the wanted columns of now
	i      int
	leaves leaves // of blocks, or of minutes
	arena  []model.Sample
	room   scratch // of now
	err    error
}

func (s *Store) groupReaders(q model.Query) []*groupReader {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var readers []*groupReader
	for _, name := range s.groupNames() {
		g := s.groups[name]
		r := &groupReader{store: s, name: name, query: q, end: g.last.Add(1), from: blockKey(q.From), fresh: true}
		for _, seg := range g.segments {
			r.memory = append(r.memory, seg.from(0))
		}
		if len(r.memory) > 0 {
			r.end = r.memory[0].instant(0)
		}
		readers = append(readers, r)
	}
	// Blocks are read after the lock is let go; what is sealed meanwhile is
	// in memory above as well, and end keeps it from being seen twice.
	return readers
}

// advance moves to the next wanted row.
func (r *groupReader) advance() {
	for r.err == nil {
		if r.now == nil || r.i >= len(r.now.at) {
			r.now, r.i = r.nextRows(), 0
			if r.now == nil {
				return
			}
			r.cols = wantedColumns(r.query, r.now.schema)
			continue
		}
		at := r.now.instant(r.i)
		switch {
		case !r.query.To.IsZero() && !at.Before(r.query.To):
			r.now, r.from, r.memory = nil, nil, nil
			return
		case r.query.Within(at) && r.wanted():
			return
		}
		r.i++
	}
}

// wanted reports whether the rows at hand have any wanted column.
func (r *groupReader) wanted() bool { return len(r.query.Points) == 0 || len(r.cols) > 0 }

// wantedColumns lists the columns of a schema that the query asks for.
func wantedColumns(q model.Query, sc *schema) []int {
	var cols []int
	for i, p := range sc.points {
		if q.Wants(p) {
			cols = append(cols, i)
		}
	}
	return cols
}

func (r *groupReader) nextRows() *rows {
	for r.from != nil {
		rows, err := r.readBlock()
		if err != nil {
			r.err = err
			return nil
		}
		if rows != nil {
			return rows
		}
	}
	if len(r.memory) == 0 {
		return nil
	}
	next := r.memory[0]
	r.memory = r.memory[1:]
	return next
}

// readBlock reads and decodes one block. The transaction it takes ends before
// the rows are used, so that a slow reader never holds pages back. It returns
// nil rows at the end.
func (r *groupReader) readBlock() (rows *rows, err error) {
	var k, v []byte
	fault := r.start()
	if fault == nil {
		k, v, fault = r.leaves.seek(r.store.data, bucketBlocks, r.name, r.from)
	}
	if fault != nil {
		r.before, r.from = 0, r.leaves.next
		return nil, fmt.Errorf("read blocks of %s: %w", r.name, fault)
	}
	if k == nil || bytes.Compare(k, blockKey(r.end)) >= 0 {
		r.from = nil
		return nil, nil
	}
	k = bytes.Clone(k)
	r.from = append(k, 0)
	fault = guard(func() error {
		rows, err = r.decode(k, v)
		return nil
	})
	return rows, errors.Join(fault, err)
}

// start goes back to the block that the first wanted row may lie in.
func (r *groupReader) start() error {
	if !r.fresh {
		return nil
	}
	r.fresh = false
	return r.store.data.view(func(tx *bolt.Tx) error {
		if bucket := tx.Bucket(bucketBlocks).Bucket([]byte("g" + r.name)); bucket != nil {
			r.from = startingBlock(bucket.Cursor(), r.from)
		}
		return nil
	})
}

// startingBlock returns the key of the last block that begins at or before
// key, else of the first of all; nil when there is none.
func startingBlock(c *bolt.Cursor, key []byte) []byte {
	k, _ := c.Seek(key)
	switch {
	case k == nil:
		k, _ = c.Last()
	case !bytes.Equal(k, key):
		k, _ = c.Prev()
	}
	if k == nil {
		k, _ = c.First()
	}
	return bytes.Clone(k)
}

func (r *groupReader) decode(key, value []byte) (*rows, error) {
	b, err := openBlock(key, value)
	if err != nil {
		r.before = 0
		return nil, fmt.Errorf("read block of %s: %w", r.name, err)
	}
	if r.before != 0 && b.ordinal != r.before+1 && b.ordinal > r.store.thinned(r.name)+1 {
		r.before, r.from = 0, key // tell first, read it again after
		return nil, damaged("blocks of %s are missing before %s", r.name, b.at)
	}
	r.before = b.ordinal
	want := r.query.Wants
	if len(r.query.Points) == 0 {
		want = nil
	}
	if want != nil && r.store.lacks(b.schema, r.query) {
		return nil, nil // nothing in it is asked for
	}
	rows, err := r.store.decodeBlock(r.name, b, want, &r.room)
	if err != nil {
		return nil, err
	}
	return r.cut(rows), nil
}

// lacks reports whether a schema is known and has no column asked for.
func (s *Store) lacks(schema uint32, q model.Query) bool {
	s.mu.RLock()
	sc := s.schemas[schema]
	s.mu.RUnlock()
	return sc != nil && len(wantedColumns(q, sc)) == 0
}

// cut leaves out what the newest block was grown by after the reader began:
// it has those rows from memory. What is left is at least one row, as the
// block's first is earlier.
func (r *groupReader) cut(rows *rows) *rows {
	n := len(rows.at)
	for n > 1 && !rows.instant(n-1).Before(r.end) {
		n--
	}
	if n == len(rows.at) {
		return rows
	}
	return rows.slice(0, n)
}

func (s *Store) decodeBlock(group string, b block, want func(model.PointID) bool, room *scratch) (*rows, error) {
	s.mu.RLock()
	sc := s.schemas[b.schema]
	s.mu.RUnlock()
	if sc == nil || sc.group != group {
		return nil, damaged("block of %s at %s: schema %d unknown", group, b.at, b.schema)
	}
	rows, err := decodeRows(b.body, sc, b.at.Boot, want, room)
	if err != nil {
		return nil, damaged("block of %s at %s: %v", group, b.at, err)
	}
	return rows, nil
}

// scan makes the scan of the row at hand.
func (r *groupReader) scan() *model.Scan {
	n := len(r.cols)
	if cap(r.arena)-len(r.arena) < n {
		r.arena = make([]model.Sample, 0, max(256, n)) // one allocation for several scans
	}
	samples := r.arena[len(r.arena) : len(r.arena)+n : len(r.arena)+n]
	r.arena = r.arena[:len(r.arena)+n]
	for i, c := range r.cols {
		sample := &samples[i]
		*sample = model.GoodSample(r.now.schema.points[c], r.now.values[c][r.i])
		if states := r.now.states[c]; states != nil {
			states[r.i].apply(sample)
		}
		sample.Lag = time.Duration(r.now.lag(c, r.i)) * lagUnit
	}
	return &model.Scan{Group: r.name, At: r.now.instant(r.i), Samples: samples, Measured: n}
}
