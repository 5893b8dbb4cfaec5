package store

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// blockKey orders blocks by boot, then by offset; the sign bit is turned so
// that the bytes compare as the numbers do.
func blockKey(at model.Instant) []byte {
	k := binary.BigEndian.AppendUint32(nil, at.Boot)
	return binary.BigEndian.AppendUint64(k, uint64(at.Offset)^1<<63)
}

func parseKey(k []byte) (model.Instant, error) {
	if len(k) != 12 {
		return model.Instant{}, damaged("key %x has a wrong length", k)
	}
	return model.Instant{Boot: binary.BigEndian.Uint32(k), Offset: time.Duration(binary.BigEndian.Uint64(k[4:]) ^ 1<<63)}, nil
}

// block is a stored block, checked but not decoded.
type block struct {
	at          model.Instant // of the first row
	schema      uint32
	ordinal     uint64 // of the group's blocks, from 1 without a gap
	rows        int
	first, last int64
	body        []byte
}

// openBlock checks a block's checksum and heading.
func openBlock(k, v []byte) (block, error) {
	at, err := parseKey(k)
	if err != nil {
		return block{}, err
	}
	payload, err := unwrap(k, v)
	if err != nil {
		return block{}, err
	}
	c := cursor{b: payload}
	b := block{at: at, schema: uint32(c.uvarint()), ordinal: c.uvarint()}
	b.body = c.b
	b.rows, b.first, b.last, err = blockSpan(c.b)
	if err != nil || b.first != int64(at.Offset) {
		return block{}, damaged("block at %s: heading unreadable", at)
	}
	return b, nil
}

// sealing is what one transaction takes over.
type sealing struct {
	batch  *harvest
	boots  []keptBoot
	setups []datedSetup
	fresh  map[string]uint32 // schemas new with it
	mend   map[uint32]string // schemas to be written anew
	// ordinals are the groups' last block numbers with it.
	ordinals map[string]uint64
	upTo     uint64
	spans    []model.Span
	thin     thinning
}

// seal moves everything in memory into the data file in one transaction,
// which also records up to which slot the ring is now spent. Callers hold
// writing. After an error all of it is still in memory and in the ring.
func (s *Store) seal() error { return s.sealPart(everything) }

func (s *Store) sealPart(p part) error {
	if s.home != nil {
		return s.home.why
	}
	// First, as it may take from memory what turns out to be on the card.
	if err := s.data.settle(); err != nil {
		return s.notSealed(err)
	}
	t := s.unsealed(p)
	if t.batch.empty() && len(t.boots) == 0 && len(t.setups) == 0 && len(t.mend) == 0 {
		s.mu.Lock()
		s.sealDue = false
		s.mu.Unlock()
		return nil
	}
	err := s.data.commit(func(tx *bolt.Tx) error { return s.write(tx, t) }, func() { s.sealedAll(t) })
	if err != nil {
		return s.notSealed(err)
	}
	if t.thin.taken > 0 {
		s.thinningLogged.Do(func() {
			s.log.Info("the oldest samples are thinned out to their minutes", "room", s.opts.MaxBytes, "keep", s.opts.KeepSamples)
		})
	}
	return nil
}

// unsealed gathers what the data file has not got.
func (s *Store) unsealed(p part) *sealing {
	t := &sealing{batch: s.collect(p), fresh: map[string]uint32{}, ordinals: map[string]uint64{}, upTo: s.ring.next - 1}
	s.mu.RLock()
	for _, b := range s.boots {
		if s.dirty[b.Number] {
			t.boots = append(t.boots, keptBoot{b, s.begun[b.Number]})
		}
	}
	for _, d := range s.setups {
		if !d.sealed {
			t.setups = append(t.setups, d)
		}
	}
	t.spans, t.mend = s.spans[s.spansKept:], maps.Clone(s.mend)
	s.mu.RUnlock()
	t.thin = s.thinning()
	return t
}

// A sealing that failed is tried again after leastPatience, then after twice as
// long each time up to mostPatience: each try packs everything in memory, and a
// full card does not empty in a second.
const (
	leastPatience = 2 * time.Second
	mostPatience  = 8 * time.Second
)

func (s *Store) notSealed(err error) error {
	s.mu.Lock()
	s.patience = min(max(2*s.patience, leastPatience), mostPatience)
	s.tryAgain = s.last.Add(s.patience)
	s.mu.Unlock()
	return s.fail("data file", fmt.Errorf("seal rows: %w", err))
}

// maySeal reports whether it is time to try. Callers hold writing.
func (s *Store) maySeal() bool {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return !s.last.Before(s.tryAgain)
}

func (s *Store) write(tx *bolt.Tx, t *sealing) error {
	for _, b := range t.boots {
		text, err := json.Marshal(b)
		if err != nil {
			return err
		}
		if err := put(tx.Bucket(bucketBoots), binary.BigEndian.AppendUint32(nil, b.Number), text); err != nil {
			return err
		}
	}
	for _, d := range t.setups {
		if err := put(tx.Bucket(bucketSetups), blockKey(d.at), d.text); err != nil {
			return err
		}
	}
	for id, text := range t.mend {
		if err := putSchema(tx, id, []byte(text)); err != nil {
			return err
		}
	}
	for _, r := range t.batch.rows {
		if err := s.writeBlock(tx, t, r); err != nil {
			return err
		}
	}
	for _, e := range t.batch.events {
		text, err := encodeEvent(e)
		if err != nil {
			return err
		}
		if err := put(tx.Bucket(bucketEvents), binary.BigEndian.AppendUint64(nil, e.Seq), text); err != nil {
			return err
		}
	}
	for _, span := range t.spans {
		if err := put(tx.Bucket(bucketKept), blockKey(span.From), blockKey(span.To)); err != nil {
			return err
		}
	}
	if err := t.thin.run(tx, 2*len(t.batch.rows)+2); err != nil {
		return fmt.Errorf("thin out samples: %w", err)
	}
	if err := t.thin.events.thinEvents(tx, t.thin.keeps); err != nil {
		return fmt.Errorf("thin out events: %w", err)
	}
	return put(tx.Bucket(bucketMeta), keySealed, binary.BigEndian.AppendUint64(nil, t.upTo))
}

func (s *Store) writeBlock(tx *bolt.Tx, t *sealing, r *rows) error {
	id, err := s.schemaID(tx, t, r.schema)
	if err != nil {
		return err
	}
	bucket, err := tx.Bucket(bucketBlocks).CreateBucketIfNotExists([]byte("g" + r.schema.group))
	if err != nil {
		return err
	}
	bucket.FillPercent = 1 // keys only ever grow
	ordinal, ok := t.ordinals[r.schema.group]
	if !ok {
		s.mu.RLock()
		ordinal = s.groups[r.schema.group].ordinal
		s.mu.RUnlock()
	}
	all := grown(bucket, id, r)
	if all == r {
		ordinal++
	}
	t.ordinals[r.schema.group] = ordinal
	end, lost := s.lastBlockMinute(bucket, r.schema.group, r.boot)
	payload := binary.AppendUvarint(nil, uint64(id))
	payload = append(binary.AppendUvarint(payload, ordinal), encodeRows(all)...)
	if err := put(bucket, blockKey(all.instant(0)), payload); err != nil {
		return err
	}
	if m := s.uncovered(tx, summarise(r), end, lost); len(m.at) > 0 {
		return s.writeMinutes(tx, id, m)
	}
	return nil
}

// stretch is how long a block may grow. Each sealing writes the newest one
// anew until then: long blocks fill their pages better.
const stretch = 3 * window

// grown returns the rows with those of the newest block before them when they
// belong into it, else the rows themselves.
func grown(bucket *bolt.Bucket, schema uint32, r *rows) *rows {
	k, v := bucket.Cursor().Last()
	if k == nil {
		return r
	}
	b, err := openBlock(k, v)
	if err != nil || b.schema != schema || b.at.Boot != r.boot || b.rows+len(r.at) > r.schema.mostRows() ||
		floorDiv(b.first, int64(stretch)) != floorDiv(r.at[0], int64(stretch)) || b.last >= r.at[0] {
		return r
	}
	all, err := decodeRows(b.body, r.schema, r.boot, nil, nil)
	if err != nil {
		return r
	}
	for c := range all.values {
		for i := range r.at {
			all.lags[c] = lagged(all.lags[c], len(all.at)+i, r.lag(c, i))
		}
		if all.states[c] == nil && r.states[c] != nil {
			all.states[c] = slices.Repeat([]status{statusGood}, len(all.at))
		}
		all.values[c] = append(all.values[c], r.values[c]...)
		all.states[c] = append(all.states[c], r.states[c]...)
	}
	all.at = append(all.at, r.at...)
	return all
}

func (s *Store) schemaID(tx *bolt.Tx, t *sealing, sc *schema) (uint32, error) {
	text := sc.encode()
	if id, ok := s.ids[string(text)]; ok {
		return id, nil
	}
	if id, ok := t.fresh[string(text)]; ok {
		return id, nil
	}
	id := s.topSchema + uint32(len(t.fresh)) + 1
	t.fresh[string(text)] = id
	return id, putSchema(tx, id, text)
}

// sealedAll drops from memory what the transaction took, which is all of it
// unless more came before it was known that it reached the card.
func (s *Store) sealedAll(t *sealing) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, r := range t.batch.rows {
		g := s.groups[r.schema.group]
		g.drop(r)
		g.ordinal = t.ordinals[g.name]
		if id, fresh := t.fresh[string(r.schema.encode())]; fresh {
			s.schemas[id] = r.schema
		}
	}
	maps.Copy(s.ids, t.fresh)
	s.mended(t.mend)
	s.topSchema += uint32(len(t.fresh))
	s.events = slices.Clone(s.events[s.eventsUpTo(t.batch.lastSeq):])
	s.keptSmall(t)
	maps.Copy(s.gone, t.thin.gone)
	s.thinEvents = t.thin.events
	s.sealed, s.live = t.upTo, max(s.live, t.upTo+1)
	s.tryAgain, s.patience = model.Instant{}, 0
	s.health.SyncedSeq = max(s.health.SyncedSeq, t.batch.lastSeq)
	s.noteUnkept()
	s.sealDue = slices.ContainsFunc(slices.Collect(maps.Values(s.groups)), func(g *group) bool {
		return slices.ContainsFunc(g.segments, func(seg *segment) bool { return seg.closed })
	})
	clear(s.trouble)
	s.sayGivenUp()
}

// keptSmall notes which of the small tables' entries are in the data file.
func (s *Store) keptSmall(t *sealing) {
	for _, was := range t.boots {
		for _, b := range s.boots {
			if b.Number == was.Number && b.First == was.First && b.Last == was.Last && slices.Equal(b.Estimates, was.Estimates) && was.Begun == s.begun[b.Number] {
				delete(s.dirty, b.Number)
			}
		}
	}
	for i := range s.setups {
		s.setups[i].sealed = s.setups[i].sealed || slices.ContainsFunc(t.setups, func(d datedSetup) bool { return d.at == s.setups[i].at })
	}
	for len(s.setups) > 1 && s.setups[0].sealed {
		s.setups = slices.Clone(s.setups[1:])
	}
	s.spansKept += len(t.spans)
}

// drop takes rows away from the segment that begins with them.
func (g *group) drop(r *rows) {
	i := slices.IndexFunc(g.segments, func(seg *segment) bool { return seg.boot == r.boot && seg.at[0] == r.at[0] })
	switch {
	case i < 0: // given up for want of memory
	case len(r.at) == len(g.segments[i].at):
		g.segments = slices.Delete(slices.Clone(g.segments), i, i+1)
	default:
		seg := g.segments[i]
		g.segments[i] = &segment{seg.from(len(r.at)), max(seg.kept-len(r.at), 0), seg.closed}
	}
}
