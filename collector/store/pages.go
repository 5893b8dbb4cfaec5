package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"
)

// bbolt trusts its file: a damaged page number sends it out of its mapping or
// round in circles, which no recover can catch. So the pages are looked at
// here first, by plain reads. The layout is bbolt's version 2.
const (
	pageSize   = 4096
	pageHeader = 16
	elemSize   = 16
	boltMagic  = 0xED0CDAED
	pageBranch = 1
	pageLeaf   = 2
	pageFree   = 16
	// fullCheck is the size up to which every page is read at opening. In a
	// larger file only the branches are, and one leaf of each bucket.
	fullCheck = 64 << 20
	maxDepth  = 16
)

// errStopped ends a walk that its caller has enough of.
var errStopped = errors.New("stopped")

var little = binary.LittleEndian

// checkTree looks whether the data file can be given to bbolt;
// full reads every page whatever the size. read, which may be nil, is told the
// pages read and says whether to go on.
func checkTree(path string, full bool, read func(pages int) bool) (*walk, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return nil, err
	}
	w, err := newWalk(f, full || st.Size() <= fullCheck)
	if err != nil {
		return nil, err
	}
	w.told = read
	return w, w.all()
}

// walk goes through the pages of one state of the file.
type walk struct {
	file     io.ReaderAt
	full     bool
	root     uint64
	free     uint64
	high     uint64 // pages in use, free ones included
	seen     map[uint64]bool
	freed    map[uint64]bool
	spoiled  []string // faults that cost nothing yet, such as one of two meta pages
	lostRoom int      // pages that are neither used nor free
	told     func(pages int) bool
}

func newWalk(file io.ReaderAt, full bool) (*walk, error) {
	w := &walk{file: file, full: full, seen: map[uint64]bool{0: true, 1: true}, freed: map[uint64]bool{}}
	newest := uint64(0)
	found := false
	for i := range int64(2) {
		b := make([]byte, pageSize)
		if _, err := file.ReadAt(b, i*pageSize); err != nil {
			return nil, damaged("data file: meta page %d: %v", i, err)
		}
		m := b[pageHeader:]
		sum := fnv.New64a()
		sum.Write(m[:56])
		if little.Uint32(m) != boltMagic || little.Uint32(m[4:]) != 2 || little.Uint32(m[8:]) != pageSize || little.Uint64(m[56:]) != sum.Sum64() {
			w.spoiled = append(w.spoiled, fmt.Sprintf("meta page %d of the data file is unreadable; the other one was used", i))
			continue
		}
		if txid := little.Uint64(m[48:]); !found || txid > newest {
			newest, found = txid, true
			w.root, w.free, w.high = little.Uint64(m[16:]), little.Uint64(m[32:]), little.Uint64(m[40:])
		}
	}
	if !found {
		return nil, damaged("data file: no meta page is readable")
	}
	return w, nil
}

// all walks the free list and the tree from its root.
func (w *walk) all() error {
	if err := w.freelist(); err != nil {
		return err
	}
	if _, _, err := w.page(w.root, 0, rootLevel); err != nil {
		return err
	}
	for id := uint64(2); w.full && id < w.high; id++ {
		if !w.seen[id] && !w.freed[id] {
			w.lostRoom++
		}
	}
	return nil
}

// read returns a page with its overflow and marks it as seen.
func (w *walk) read(id uint64) ([]byte, error) {
	head := make([]byte, pageHeader)
	if id < 2 || id >= w.high {
		return nil, damaged("data file: page %d does not exist", id)
	}
	if _, err := w.file.ReadAt(head, int64(id)*pageSize); err != nil {
		return nil, damaged("data file: page %d: %v", id, err)
	}
	more := uint64(little.Uint32(head[12:]))
	if little.Uint64(head) != id || more >= w.high-id {
		return nil, damaged("data file: page %d has a wrong heading", id)
	}
	for i := range more + 1 {
		if w.seen[id+i] || w.freed[id+i] {
			return nil, damaged("data file: page %d is used twice", id+i)
		}
		w.seen[id+i] = true
	}
	if w.told != nil && !w.told(int(more+1)) {
		return nil, errStopped
	}
	b := make([]byte, (more+1)*pageSize)
	if _, err := w.file.ReadAt(b, int64(id)*pageSize); err != nil {
		return nil, damaged("data file: page %d: %v", id, err)
	}
	return b, nil
}

func (w *walk) freelist() error {
	b, err := w.read(w.free)
	if err != nil {
		return err
	}
	n, at := uint64(little.Uint16(b[10:])), uint64(pageHeader)
	if n == 0xffff {
		n, at = little.Uint64(b[at:]), at+8
	}
	if little.Uint16(b[8:]) != pageFree || n > (uint64(len(b))-at)/8 {
		return damaged("data file: free list unreadable")
	}
	last := uint64(1)
	for i := range n {
		id := little.Uint64(b[at+8*i:])
		if id <= last || id >= w.high || w.seen[id] {
			return damaged("data file: free list holds page %d wrongly", id)
		}
		w.freed[id], last = true, id
	}
	return nil
}

// The levels of buckets: the root holds the tables, those of blocks and
// minutes a bucket for each group, the others hold values.
const (
	rootLevel = iota
	groupLevel
	valueLevel
)

// element is one entry of a branch or leaf.
type element struct {
	key, value []byte
	child      uint64
	bucket     bool
}

// page walks one page and what hangs below it, and returns the first and last
// key found.
func (w *walk) page(id uint64, depth, level int) (first, last []byte, err error) {
	if depth > maxDepth {
		return nil, nil, damaged("data file: page %d lies too deep", id)
	}
	b, err := w.read(id)
	if err != nil {
		return nil, nil, err
	}
	elements, branch, err := parsePage(b)
	if err != nil {
		return nil, nil, damaged("data file: page %d: %v", id, err)
	}
	if !branch {
		return w.leaf(id, elements, depth, level)
	}
	leaves := false // the children are, as the first of them shows: all leaves lie equally deep
	for i, e := range elements {
		if i > 0 && bytes.Compare(last, e.key) >= 0 {
			return nil, nil, damaged("data file: page %d: keys out of order", id)
		}
		low, high := e.key, e.key
		if w.full || level != valueLevel || i == 0 || !leaves {
			if low, high, err = w.page(e.child, depth+1, level); err != nil {
				return nil, nil, err
			}
			leaves = i == 0 && !w.full && w.isLeaf(e.child)
		} else if err := w.claim(e.child); err != nil {
			return nil, nil, err
		}
		if bytes.Compare(low, e.key) < 0 {
			return nil, nil, damaged("data file: page %d: keys do not lie under their branch", e.child)
		}
		if i == 0 {
			first = low
		}
		last = high
	}
	return first, last, nil
}

// claim marks a leaf of a large file as used without reading it: on a cold
// card that would take a minute. That each page has one place is enough for a
// cursor not to go in circles, bbolt compares a page's number with its place,
// and every value is checked when it is read.
func (w *walk) claim(id uint64) error {
	if id < 2 || id >= w.high || w.seen[id] || w.freed[id] {
		return damaged("data file: page %d is used twice or does not exist", id)
	}
	w.seen[id] = true
	return nil
}

// isLeaf reads no more than a heading.
func (w *walk) isLeaf(id uint64) bool {
	head := make([]byte, pageHeader)
	_, err := w.file.ReadAt(head, int64(id)*pageSize)
	return err == nil && little.Uint16(head[8:]) == pageLeaf
}

func (w *walk) leaf(id uint64, elements []element, depth, level int) (first, last []byte, err error) {
	for i, e := range elements {
		if i > 0 && bytes.Compare(last, e.key) >= 0 {
			return nil, nil, damaged("data file: page %d: keys out of order", id)
		}
		if i == 0 {
			first = e.key
		}
		last = e.key
		if e.bucket != (level != valueLevel) {
			return nil, nil, damaged("data file: page %d: bucket and value mixed up", id)
		}
		if e.bucket {
			below := valueLevel
			if level == rootLevel && (bytes.Equal(e.key, bucketBlocks) || bytes.Equal(e.key, bucketMinutes)) {
				below = groupLevel
			}
			if err := w.bucket(id, e.value, depth, below); err != nil {
				return nil, nil, err
			}
		}
	}
	return first, last, nil
}

// bucket walks a bucket: elsewhere from its root page, or inline.
func (w *walk) bucket(id uint64, value []byte, depth, level int) error {
	if len(value) < 16 {
		return damaged("data file: page %d: bucket heading too short", id)
	}
	if root := little.Uint64(value); root != 0 {
		_, _, err := w.page(root, depth+1, level)
		return err
	}
	elements, branch, err := parsePage(value[16:])
	if err != nil || branch {
		return damaged("data file: page %d: inline bucket: %v", id, err)
	}
	_, _, err = w.leaf(id, elements, depth+1, level)
	return err
}

// parsePage lists a page's entries. Keys and values lie one after another
// behind the table of entries, without a gap, so that a changed count, place
// or length shows.
func parsePage(b []byte) (elements []element, branch bool, err error) {
	if len(b) < pageHeader {
		return nil, false, fmt.Errorf("too short")
	}
	kind, n := little.Uint16(b[8:]), int(little.Uint16(b[10:]))
	branch = kind == pageBranch
	next := pageHeader + n*elemSize
	if !branch && kind != pageLeaf || next > len(b) || branch && n == 0 {
		return nil, false, fmt.Errorf("heading unreadable")
	}
	elements = make([]element, 0, n)
	for i := range n {
		at := pageHeader + i*elemSize
		e, pos, k, v := element{}, 0, 0, 0
		if branch {
			pos, k = int(little.Uint32(b[at:])), int(little.Uint32(b[at+4:]))
			e.child = little.Uint64(b[at+8:])
		} else {
			e.bucket = little.Uint32(b[at:]) == 1
			pos, k, v = int(little.Uint32(b[at+4:])), int(little.Uint32(b[at+8:])), int(little.Uint32(b[at+12:]))
			if little.Uint32(b[at:]) > 1 {
				return nil, false, fmt.Errorf("entry %d has an unknown flag", i)
			}
		}
		if at+pos != next || k <= 0 || v < 0 || k > len(b)-next || v > len(b)-next-k {
			return nil, false, fmt.Errorf("entry %d does not lie where it should", i)
		}
		e.key, e.value = b[next:next+k], b[next+k:next+k+v]
		next += k + v
		elements = append(elements, e)
	}
	return elements, branch, nil
}
