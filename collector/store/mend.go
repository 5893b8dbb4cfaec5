package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// bucketMended holds minutes until they take the place of what was found.
var bucketMended = []byte("mended")

// mending makes what was salvaged agree with itself. Minutes that are lost, or
// of which an older writing was found, are worked out anew from their blocks.
// Where only minutes are left, that is told, and the blocks after are numbered
// so that the gap shows.
type mending struct {
	to    *rebuilding
	store *Store // reads what is being rebuilt
	check *minuteCheck
	ids   map[*schema]uint32
	chunk *minutes // being gathered
	ready []record
	begin model.Instant // minute in which the block at hand begins
	block []byte        // its key
	holes [][]byte      // keys of blocks before which samples are missing
	lost  bool          // since the block at hand
	end   model.Instant // of the newest block or minute
	ring  model.Instant // minute from which on the ring gives samples back; zero when it does not
	fault error         // of writing
}

// mend goes through all groups.
func (b *rebuilding) mend(ctx context.Context) error {
	s := newStore(b.data.opts)
	s.data, s.opts.ReadOnly = b.data, true
	if err := b.data.view(s.load); err != nil {
		return err
	}
	s.opts.Dir = b.ring
	_, _ = s.openRing() // what is wrong with it, the next start tells
	if s.ring != nil {
		defer s.ring.close()
	}
	v := &verifying{store: s, ctx: ctx}
	if err := v.listGroups(); err != nil {
		return err
	}
	for _, name := range v.groups {
		m := &mending{to: b, store: s, check: v.checkMinutes(name), ids: map[*schema]uint32{}}
		for id, sc := range s.schemas {
			m.ids[sc] = id
		}
		m.check.mend = m.minute
		if segments := s.group(name).segments; len(segments) > 0 {
			m.ring = minuteBegin(segments[0].instant(0))
		}
		if err := errors.Join(m.blocks(name), m.renumber(name)); err != nil {
			return fmt.Errorf("repair %s: %w", name, err)
		}
		m.tellEnd(name)
	}
	for _, p := range v.found.Problems {
		b.miss(errors.New(p.Where + ": " + p.What))
	}
	return b.data.update(moveMended)
}

// blocks goes through a group's blocks.
func (m *mending) blocks(name string) error {
	before := uint64(0)
	var fault error
	m.store.table(recordBlock, name, model.Span{}, func(r record, err error) bool {
		if fault = err; err != nil {
			return false
		}
		b, err := openBlock(r.key, r.value)
		if err != nil {
			return true
		}
		rows, err := m.store.decodeBlock(name, b, nil, nil)
		if err != nil {
			m.to.miss(err)
			return true
		}
		m.check.block(rows, b.ordinal != before+1)
		if m.lost {
			m.holes = append(m.holes, r.key)
		}
		before, m.block, m.begin, m.lost = b.ordinal, r.key, minuteBegin(b.at), false
		m.end = rows.instant(len(rows.at) - 1)
		return true
	})
	m.check.finish(endOfTime, false)
	if m.lost {
		m.to.gone[name] = max(m.to.gone[name], m.to.ordinals[name]+1)
	}
	m.flush()
	return errors.Join(fault, m.fault, m.put(bucketMended, 0))
}

// minute takes the better of what was stored and what the samples give, nil
// where there is none; hole says that samples are missing there rightly.
func (m *mending) minute(key minuteOf, stored *minutes, worked *workedMinute, hole bool) {
	figures := stored
	switch {
	case !m.ring.IsZero() && !key.at.Before(m.ring) && !key.at.Before(m.check.last):
		if worked == nil {
			return // these minutes come again with their samples
		}
		figures = worked.figures
	case stored == nil:
		figures = worked.figures
	case worked == nil:
		m.lose(key.at, hole)
	case worked.differs(stored) == "":
	case worked.short(stored):
		m.lose(key.at, hole)
	default:
		figures = worked.figures
	}
	c := m.chunk
	if c != nil && (c.schema != key.schema || c.boot != key.at.Boot || c.at[len(c.at)-1] >= figures.at[0] ||
		floorDiv(c.at[0], tierChunk) != floorDiv(figures.at[0], tierChunk)) {
		m.flush()
	}
	if m.chunk == nil {
		m.chunk = &minutes{schema: key.schema, boot: key.at.Boot, cols: make([]MinuteColumn, len(figures.cols))}
		for i := range m.chunk.cols {
			m.chunk.cols[i] = newMinuteColumn(0)
		}
	}
	m.chunk.join(figures)
	if m.end.Before(key.at) {
		m.end = key.at
	}
}

// lose notes that samples of a minute are missing.
func (m *mending) lose(at model.Instant, hole bool) {
	switch {
	case hole || at == m.check.holed:
		return
	case at != m.begin:
		m.lost = true
	case len(m.holes) == 0 || !bytes.Equal(m.holes[len(m.holes)-1], m.block):
		m.holes = append(m.holes, m.block)
	}
	m.check.fault(minutesAlone, at, "samples are lost, only their minutes are left")
}

// short reports whether a stored minute has more samples than the blocks.
func (w *workedMinute) short(stored *minutes) bool {
	for c := range stored.cols {
		if stored.cols[c].Count[0] > w.figures.cols[c].Count[0] {
			return true
		}
	}
	return false
}

func (m *mending) flush() {
	if m.chunk == nil {
		return
	}
	c := m.chunk
	m.chunk = nil
	m.ready = append(m.ready, record{recordMinutes, m.check.name, minuteKey(c.boot, c.at[0], m.ids[c.schema]), c.encode()})
	m.fault = errors.Join(m.fault, m.put(bucketMended, 64))
}

// moveMended puts the mended minutes in the place of the others.
func moveMended(tx *bolt.Tx) error {
	mended := tx.Bucket(bucketMended)
	if mended == nil {
		return nil
	}
	var names [][]byte
	err := mended.ForEachBucket(func(name []byte) error { names = append(names, bytes.Clone(name)); return nil })
	for _, name := range names {
		to := tx.Bucket(bucketMinutes)
		if to.Bucket(name) != nil {
			err = errors.Join(err, to.DeleteBucket(name))
		}
		err = errors.Join(err, mended.MoveBucket(name, to))
	}
	return errors.Join(err, tx.DeleteBucket(bucketMended))
}

// renumber leaves a number free before each block that has a hole before it.
func (m *mending) renumber(name string) (fault error) {
	shift := uint64(0)
	m.store.table(recordBlock, name, model.Span{}, func(r record, err error) bool {
		if fault = errors.Join(err, r.check()); fault != nil || len(m.holes) == 0 {
			return false
		}
		b, err := openBlock(r.key, r.value)
		if err != nil {
			return true
		}
		if int(shift) < len(m.holes) && bytes.Equal(r.key, m.holes[shift]) {
			shift++
			m.to.gone[name] = b.ordinal + shift - 1
		}
		m.to.ordinals[name] = b.ordinal + shift
		r.value, fault = renumbered(r, b.ordinal+shift)
		m.ready = append(m.ready, r)
		fault = errors.Join(fault, m.put(bucketBlocks, 64))
		return fault == nil
	})
	return errors.Join(fault, m.put(bucketBlocks, 0))
}

// put writes what is ready into a table when it is more than so much.
func (m *mending) put(table []byte, most int) error {
	if len(m.ready) <= most {
		return nil
	}
	ready := m.ready
	m.ready = nil
	return m.to.data.update(func(tx *bolt.Tx) error {
		for _, r := range ready {
			bucket, err := tx.CreateBucketIfNotExists(table)
			if err == nil {
				bucket, err = bucket.CreateBucketIfNotExists([]byte("g" + r.group))
			}
			if err != nil {
				return err
			}
			bucket.FillPercent = 1
			if err := put(bucket, r.key, r.value); err != nil {
				return err
			}
		}
		return nil
	})
}

// tellEnd tells of a group that ends before its boot does. Every sealing
// notes how far a boot went, and takes all groups along.
func (m *mending) tellEnd(name string) {
	for _, boot := range m.store.boots {
		if rest := boot.Last - m.end.Offset; boot.Number == m.end.Boot && rest > window {
			m.to.copied.Missing = append(m.to.copied.Missing, fmt.Sprintf("%s: nothing after %s is left, though its boot went on for %s (unless it was no longer read, or the ring holds it)",
				name, m.end, rest.Round(time.Second)))
		}
	}
}
