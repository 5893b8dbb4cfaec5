package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// Findings is what Verify saw.
type Findings struct {
	Blocks  int
	Rows    int // scans in the blocks
	Samples int
	Minutes int // rows of the minutes
	Events  int
	Slots   int  // whole slots of the ring
	Growing bool // a writer had the store open: minutes of the newest blocks, and what is in memory only, were left out
	// Unfinished is how many slots a write takes that a cut of power left
	// unfinished: nothing was promised of it, and the next start writes there.
	Unfinished int
	Problems   []Problem // nil when all is well
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
// checksum and order, the minutes beside those worked out anew from the
// blocks, each slot, and the pages of bbolt's index. It may run beside a
// writer, whose newest block it then takes without its minutes. progress,
// which may be nil, is called now and then with what is done and what there is
// to do. The error is the context's; everything else is in the findings.
func (s *Store) Verify(ctx context.Context, progress func(done, total int)) (Findings, error) {
	v := &verifying{store: s, ctx: ctx, progress: progress, growing: map[string][]byte{}, found: Findings{Growing: !s.opts.ReadOnly}}
	v.count()
	for _, name := range v.groups {
		v.group(name)
	}
	v.events()
	v.small()
	v.photos()
	v.ring()
	v.index()
	v.step(max(v.total-v.done, 0))
	return v.found, ctx.Err()
}

type verifying struct {
	store       *Store
	ctx         context.Context
	progress    func(done, total int)
	found       Findings
	groups      []string
	growing     map[string][]byte // by group, the key of the block that a writer may add to
	before      uint64            // ordinal of the block before; 0 when there is none or it is not known
	hole        bool              // that one was damaged
	done, total int
}

// How much work things are beside reading a page or an event.
const (
	blockWeight   = 64
	minutesWeight = 16
)

func (v *verifying) step(n int) {
	v.done += n
	if v.progress != nil {
		v.progress(v.done, max(v.total, v.done))
	}
}

// count lists the groups and how much there is to read.
func (v *verifying) count() {
	st, err := os.Stat(v.store.data.path)
	if err == nil {
		v.total = int(v.store.ring.slots) + int(st.Size()/pageSize)
	}
	err = errors.Join(err, v.listGroups())
	if err != nil {
		v.found.problem("index of blocks", err)
	}
	for _, name := range v.groups {
		n, last := v.entries(recordBlock, name)
		v.total += n * blockWeight
		if !v.store.opts.ReadOnly {
			v.growing[name] = last
		}
		n, _ = v.entries(recordMinutes, name)
		v.total += n * minutesWeight
	}
	n, _ := v.entries(recordEvent, "")
	v.total += n
}

// listGroups finds every group of which there are blocks or minutes.
func (v *verifying) listGroups() error {
	return v.store.data.view(func(tx *bolt.Tx) error {
		for _, table := range [][]byte{bucketBlocks, bucketMinutes} {
			if tx.Bucket(table) == nil {
				continue // a file of format 1
			}
			err := tx.Bucket(table).ForEachBucket(func(name []byte) error {
				if group := string(name[1:]); !slices.Contains(v.groups, group) {
					v.groups = append(v.groups, group)
				}
				return nil
			})
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// entries counts a table's entries, some at a time.
func (v *verifying) entries(kind recordKind, group string) (n int, last []byte) {
	const atOnce = 1000
	for full := true; full && v.ctx.Err() == nil; {
		full = false
		err := v.store.data.view(func(tx *bolt.Tx) error {
			bucket := recordBucket(tx, kind, group)
			if bucket == nil {
				return nil
			}
			c, some := bucket.Cursor(), 0
			for k, _ := c.Seek(append(last, 0)); k != nil; k, _ = c.Next() {
				last = bytes.Clone(k)
				if n++; some == atOnce {
					full = true
					return nil
				}
				some++
			}
			return nil
		})
		if err != nil {
			v.found.problem("index of "+string(recordBuckets[kind]), err)
		}
	}
	return n, last
}

// group reads a group block by block, each in its own transaction.
func (v *verifying) group(name string) {
	v.before, v.hole = 0, false
	var check *minuteCheck
	if v.store.data.format >= 2 {
		check = v.checkMinutes(name)
	}
	from, end, gone := []byte{0}, model.Instant{}, uint64(0)
	for v.ctx.Err() == nil {
		var k, value []byte
		err := v.store.data.view(func(tx *bolt.Tx) (err error) {
			gone, err = goneOf(tx, name)
			if bucket := recordBucket(tx, recordBlock, name); bucket != nil {
				a, b := bucket.Cursor().Seek(from)
				k, value = bytes.Clone(a), bytes.Clone(b)
				v.store.data.touched.Add(int64(len(b)))
			}
			return err
		})
		if err != nil {
			v.found.problem("index of "+name, err)
			break
		}
		if k == nil {
			break
		}
		from = append(k, 0)
		rows, hole := v.block(name, k, value, end, gone)
		v.step(blockWeight)
		if rows != nil {
			end = rows.instant(len(rows.at) - 1)
		}
		switch {
		case check == nil:
		case rows != nil && bytes.Equal(k, v.growing[name]):
			check.finish(minuteBegin(rows.instant(0)), hole)
			check = nil
		case rows != nil:
			check.block(rows, hole)
		}
	}
	if check != nil {
		check.finish(endOfTime, v.hole || gone > v.before)
	}
}

// goneOf reads up to which ordinal a group's blocks were thinned out.
func goneOf(tx *bolt.Tx, group string) (uint64, error) {
	if tx.Bucket(bucketGone) == nil {
		return 0, nil
	}
	value, err := get(tx.Bucket(bucketGone), []byte(group))
	if err != nil || len(value) != 8 {
		return 0, nil // told with the tables
	}
	return binary.BigEndian.Uint64(value), nil
}

// block checks one block and returns its rows, nil when they can't be read,
// and whether others may be missing before it.
func (v *verifying) block(name string, k, value []byte, end model.Instant, gone uint64) (rows *rows, hole bool) {
	v.found.Blocks++
	b, err := openBlock(k, value)
	if err != nil {
		v.before, v.hole = 0, true
		v.found.problem(fmt.Sprintf("block of %s, key %x", name, k), err)
		return nil, true
	}
	where := fmt.Sprintf("block of %s at %s", name, b.at)
	if !v.hole && b.ordinal != v.before+1 && b.ordinal > gone+1 {
		v.found.problem(where, "blocks are missing before it")
	}
	hole = v.hole || b.ordinal != v.before+1
	v.before, v.hole = b.ordinal, false
	rows, err = v.store.decodeBlock(name, b, nil, nil)
	if err != nil {
		v.hole = true
		v.found.problem(where, err)
		return nil, true
	}
	v.found.Rows += len(rows.at)
	v.found.Samples += len(rows.at) * len(rows.values)
	if !end.Before(b.at) {
		v.found.problem(where, "overlaps the block before it")
	}
	if !v.knowsBoot(b.at.Boot) {
		v.found.problem(where, "its boot is not in the table")
	}
	if rows.at[len(rows.at)-1] != b.last {
		v.found.problem(where, "the time of its last row differs from its heading")
	}
	return rows, hole
}

func (v *verifying) knowsBoot(number uint32) bool {
	v.store.mu.RLock()
	defer v.store.mu.RUnlock()
	return v.store.knowsBoot(number)
}

func (v *verifying) events() {
	_, last := v.store.eventsInMemory()
	for _, err := range v.store.sealedEvents(model.Query{}, last) {
		if v.ctx.Err() != nil {
			return
		}
		v.found.Events++
		v.step(1)
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
	sv := s.ring.survey()
	v.found.Slots = len(sv.slots)
	unfinished := sv.unfinished(s.sealed, s.ring.slots)
	v.found.Unfinished = len(unfinished)
	for _, i := range sv.broken {
		if !slices.Contains(unfinished, i) {
			v.found.problem(fmt.Sprintf("ring slot %d", i), "neither whole nor empty")
		}
	}
	payloads, _ := sv.batches(s.live-1, s.ring.slots)
	for _, p := range payloads {
		if _, err := decodeBatch(p); err != nil {
			v.found.problem("ring", err)
		}
	}
	v.step(int(s.ring.slots))
}

// index walks the pages of the data file. What a writer changes meanwhile may
// look wrong, so a walk counts only when nothing was written while it went on.
func (v *verifying) index() {
	for tries := 3; tries > 0 && v.ctx.Err() == nil; tries-- {
		before := v.transaction()
		w, err := checkTree(v.store.data.path, true, func(pages int) bool {
			v.step(pages)
			return v.ctx.Err() == nil
		})
		if v.transaction() != before || v.ctx.Err() != nil {
			continue
		}
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
		return
	}
	if v.ctx.Err() == nil {
		v.found.problem("index", "not determined: the store was written to during every check (run the check again)")
	}
}

// transaction is the number of the last one written to the data file.
func (v *verifying) transaction() (n int) {
	if err := v.store.data.view(func(tx *bolt.Tx) error { n = tx.ID(); return nil }); err != nil {
		v.found.problem("index", err)
	}
	return n
}
