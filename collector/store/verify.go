package store

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// Findings is what Verify saw.
type Findings struct {
	Blocks   int
	Rows     int // scans in the blocks
	Samples  int
	Minutes  int // rows of the minutes
	Events   int
	Slots    int       // whole slots of the ring
	Problems []Problem // nil when all is well
}

// Problem is one thing that is not as it should be.
type Problem struct {
	Where string // such as "block of meter/1s at 3+10m0s"
	What  string
}

// Clean reports whether nothing was wrong.
func (f Findings) Clean() bool { return len(f.Problems) == 0 }

func (f *Findings) problem(where string, what any) {
	f.Problems = append(f.Problems, Problem{where, fmt.Sprint(what)})
}

// Verify reads everything: each block, event, setup and boot with its
// checksum and order, each slot, and the pages of bbolt's index. progress, which may
// be nil, is called now and then with what is done and what there is to do.
// The error is the context's; everything else is in the findings.
func (s *Store) Verify(ctx context.Context, progress func(done, total int)) (Findings, error) {
	v := &verifying{store: s, ctx: ctx, progress: progress}
	v.count()
	for _, name := range v.groups {
		v.group(name)
		v.minutes(name)
	}
	v.events()
	v.small()
	v.photos()
	v.ring()
	v.index()
	v.step(0)
	return v.found, ctx.Err()
}

type verifying struct {
	store       *Store
	ctx         context.Context
	progress    func(done, total int)
	found       Findings
	groups      []string
	before      uint64 // ordinal of the block before; 0 when not known
	done, total int
}

func (v *verifying) step(n int) {
	v.done += n
	if v.progress != nil {
		v.progress(v.done, max(v.total, v.done))
	}
}

// count lists the groups and how much there is to read.
func (v *verifying) count() {
	err := v.store.data.view(func(tx *bolt.Tx) error {
		v.total = int(v.store.ring.slots)
		return tx.Bucket(bucketBlocks).ForEachBucket(func(name []byte) error {
			v.groups = append(v.groups, string(name[1:]))
			c := tx.Bucket(bucketBlocks).Bucket(name).Cursor()
			for k, _ := c.First(); k != nil && v.ctx.Err() == nil; k, _ = c.Next() {
				v.total++
			}
			return nil
		})
	})
	if err != nil {
		v.found.problem("index of blocks", err)
	}
}

// group reads a group block by block, each in its own transaction.
func (v *verifying) group(name string) {
	from, end := []byte{0}, model.Instant{}
	v.before = 0
	for v.ctx.Err() == nil {
		var k, value []byte
		err := v.store.data.view(func(tx *bolt.Tx) error {
			a, b := tx.Bucket(bucketBlocks).Bucket([]byte("g" + name)).Cursor().Seek(from)
			k, value = bytes.Clone(a), bytes.Clone(b)
			v.store.data.touched.Add(int64(len(b)))
			return nil
		})
		if err != nil {
			v.found.problem("index of "+name, err)
			return
		}
		if k == nil {
			return
		}
		from = append(k, 0)
		end = v.block(name, k, value, end)
		v.step(1)
	}
}

// block checks one block and returns the instant of its last row.
func (v *verifying) block(name string, k, value []byte, end model.Instant) model.Instant {
	v.found.Blocks++
	b, err := openBlock(k, value)
	if err != nil {
		v.before = 0
		v.found.problem(fmt.Sprintf("block of %s, key %x", name, k), err)
		return end
	}
	where := fmt.Sprintf("block of %s at %s", name, b.at)
	if v.before != 0 && b.ordinal != v.before+1 && b.ordinal > v.store.thinned(name)+1 {
		v.found.problem(where, "blocks are missing before it")
	}
	v.before = b.ordinal
	rows, err := v.store.decodeBlock(name, b, nil, nil)
	if err != nil {
		v.found.problem(where, err)
		return end
	}
	v.found.Rows += len(rows.at)
	v.found.Samples += len(rows.at) * len(rows.values)
	if !end.Before(b.at) {
		v.found.problem(where, "begins before the block before it ends")
	}
	v.store.mu.RLock()
	known := v.store.knowsBoot(b.at.Boot)
	v.store.mu.RUnlock()
	if !known {
		v.found.problem(where, "its boot is not in the table")
	}
	if rows.at[len(rows.at)-1] != b.last {
		v.found.problem(where, "its last row is not where its heading says")
	}
	return rows.instant(len(rows.at) - 1)
}

// minutes reads a group's minutes and wants them in order, of boots and
// schemas that are known.
func (v *verifying) minutes(name string) {
	if v.store.data.format < 2 {
		return
	}
	r := &groupReader{store: v.store, name: name}
	end := model.Instant{}
	for m, err := range r.storedMinutes() {
		if v.ctx.Err() != nil {
			return
		}
		if err != nil {
			v.found.problem("minutes of "+name, err)
			continue
		}
		where := fmt.Sprintf("minutes of %s from %s", name, m.instant(0))
		if m.instant(0).Before(end) {
			v.found.problem(where, "begin before those before them end")
		}
		v.store.mu.RLock()
		known := v.store.knowsBoot(m.boot)
		v.store.mu.RUnlock()
		if !known {
			v.found.problem(where, "their boot is not in the table")
		}
		end = m.instant(len(m.at) - 1)
		v.found.Minutes += len(m.at)
	}
}

func (v *verifying) events() {
	_, last := v.store.eventsInMemory()
	for _, err := range v.store.sealedEvents(model.Query{}, last) {
		if v.ctx.Err() != nil {
			return
		}
		v.found.Events++
		if err != nil {
			v.found.problem("events", err)
		}
	}
}

// small reads the tables that are read whole at opening.
func (v *verifying) small() {
	checks := map[string]func([]byte) error{
		string(bucketBoots):   func(b []byte) error { return json.Unmarshal(b, &model.Boot{}) },
		string(bucketSetups):  func(b []byte) error { return json.Unmarshal(b, &model.Setup{}) },
		string(bucketSchemas): func(b []byte) error { _, err := decodeSchema(b); return err },
		string(bucketSpares):  func(b []byte) error { _, _, err := decodeSpare(b); return err },
		string(bucketMeta):    func([]byte) error { return nil },
		string(bucketKept):    func(b []byte) error { _, err := parseKey(b); return err },
		string(bucketGone):    func([]byte) error { return nil },
	}
	err := v.store.data.view(func(tx *bolt.Tx) error {
		for name, check := range checks {
			if tx.Bucket([]byte(name)) == nil {
				continue // a file of format 1
			}
			c := tx.Bucket([]byte(name)).Cursor()
			for k, value := c.First(); k != nil; k, value = c.Next() {
				text, err := unwrap(k, value)
				if err == nil {
					err = check(text)
				}
				if err != nil {
					v.found.problem("table "+name, err)
				}
			}
		}
		return nil
	})
	if err != nil {
		v.found.problem("tables", err)
	}
}

// ring reads every slot. The writer waits meanwhile.
func (v *verifying) ring() {
	s := v.store
	s.writing.Lock()
	defer s.writing.Unlock()
	if s.ring.file == nil {
		if s.opts.ReadOnly {
			return // a copy that has no ring yet
		}
		v.found.problem("ring", "not open")
		return
	}
	next := s.ring.next
	sv, err := s.ring.survey()
	s.ring.next = max(next, s.ring.next)
	if err != nil {
		v.found.problem("ring", err)
		return
	}
	v.found.Slots = len(sv.slots)
	for _, i := range sv.broken {
		v.found.problem(fmt.Sprintf("ring slot %d", i), "neither whole nor empty")
	}
	payloads, _ := sv.batches(s.live-1, s.ring.slots)
	for _, p := range payloads {
		if _, err := decodeBatch(p); err != nil {
			v.found.problem("ring", err)
		}
	}
	v.step(int(s.ring.slots))
}

// index walks the pages of the data file. The writer waits meanwhile.
func (v *verifying) index() {
	if v.ctx.Err() != nil {
		return
	}
	s := v.store
	s.writing.Lock()
	defer s.writing.Unlock()
	w, err := checkTree(s.data.path, true)
	if err != nil {
		v.found.problem("index", err)
		return
	}
	for _, what := range w.spoiled {
		v.found.problem("index", what)
	}
	if w.lostRoom > 0 {
		v.found.problem("index", fmt.Sprintf("%d pages are neither used nor free", w.lostRoom))
	}
}
