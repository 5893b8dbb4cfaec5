package store

import (
	"bytes"
	"io"
	"slices"
	"sort"

	bolt "go.etcd.io/bbolt"
)

// mostLeaf bounds what is read of one leaf, so that a damaged heading cannot
// ask for all memory. Two blocks of the most rows and hundreds of points fit.
const mostLeaf = 64 << 20

// leaves reads one group's values leaf by leaf, each by one plain read. In the
// mapping, where bbolt reads, each page would have to be found, mapped, counted
// as resident and taken out again, which for a month of one point takes as long
// as decoding it.
type leaves struct {
	left []element // of the leaf read last, not yet passed
	low  []byte    // the least key that may lie in it
	next []byte    // likewise behind it; nil when none does
	page []byte    // the leaf

	above []element // the branch over it
	db    *bolt.DB  // that the branch was read from
	tx    int       // the file's state then
}

// seek returns the first entry from a key on, which is no smaller than the one
// before; a nil key at the end. What it returns holds until the next call.
// After damage next tells where to go on.
func (l *leaves) seek(d *data, table []byte, group string, key []byte) (k, v []byte, err error) {
	if l.pass(key); len(l.left) == 0 {
		if bytes.Compare(l.next, key) > 0 {
			key = l.next
		}
		l.next = nil
		err = d.viewFile(func(h *handle, tx *bolt.Tx) error {
			if l.db != h.db || l.tx != tx.ID() {
				l.above, l.db, l.tx = nil, h.db, tx.ID()
			}
			b := tx.Bucket(table).Bucket([]byte("g" + group))
			switch {
			case b == nil:
				return nil
			case b.Root() == 0: // it lies within its parent's page
				if k, v := b.Cursor().Seek(key); k != nil {
					l.left = []element{{key: bytes.Clone(k), value: bytes.Clone(v)}}
				}
				return nil
			}
			return l.load(h.file, uint64(b.Root()), uint64(tx.Size())/pageSize, key)
		})
	}
	if err != nil || len(l.left) == 0 {
		return nil, nil, err
	}
	return l.left[0].key, l.left[0].value, nil
}

// pass leaves behind what comes before a key.
func (l *leaves) pass(key []byte) {
	for len(l.left) > 0 && bytes.Compare(l.left[0].key, key) < 0 {
		l.left = l.left[1:]
	}
}

// load reads the leaf that holds the first entry from a key on, of the tree
// below a root page in a file of so many pages.
func (l *leaves) load(file io.ReaderAt, root, pages uint64, key []byte) error {
	for {
		if err := l.descend(file, root, pages, key); err != nil {
			return err
		}
		l.pass(key)
		if len(l.left) > 0 || l.next == nil {
			return nil
		}
		key = l.next
	}
}

// descend reads the leaf that a key belongs to.
func (l *leaves) descend(file io.ReaderAt, id, pages uint64, key []byte) error {
	l.left, l.low, l.next = nil, nil, nil
	if n := len(l.above); n > 0 && bytes.Compare(l.above[0].key, key) <= 0 && bytes.Compare(key, l.above[n-1].key) < 0 {
		var err error
		if id, err = l.follow(l.above, key); err != nil {
			return err
		}
	}
	for range maxDepth {
		var err error
		if l.page, err = readPage(file, id, pages, l.page); err != nil {
			return err
		}
		elements, branch, err := parsePage(l.page)
		if err != nil {
			return damaged("data file: page %d: %v", id, err)
		}
		if n := len(elements); n > 0 && (bytes.Compare(elements[0].key, l.low) < 0 || l.next != nil && bytes.Compare(elements[n-1].key, l.next) >= 0) {
			return damaged("data file: page %d: keys do not lie under their branch", id)
		}
		if !branch {
			l.left = elements
			return nil
		}
		l.above, l.page = elements, nil // which they lie in
		if id, err = l.follow(elements, key); err != nil {
			return err
		}
	}
	return damaged("data file: page %d lies too deep", id)
}

// follow returns the page below a branch that a key belongs to.
func (l *leaves) follow(branch []element, key []byte) (uint64, error) {
	i := max(sort.Search(len(branch), func(i int) bool { return bytes.Compare(branch[i].key, key) > 0 })-1, 0)
	l.low = bytes.Clone(branch[i].key)
	if i+1 < len(branch) {
		l.next = bytes.Clone(branch[i+1].key)
	}
	if l.next != nil && bytes.Compare(l.next, key) <= 0 {
		l.next = nil
		return 0, damaged("data file: keys of a branch out of order")
	}
	return branch[i].child, nil
}

// readPage reads a page with its overflow into room, of which there is more if
// need be. At first it reads as much as the page before it in room took.
func readPage(file io.ReaderAt, id, pages uint64, room []byte) ([]byte, error) {
	if id < 2 || id >= pages {
		return nil, damaged("data file: page %d does not exist", id)
	}
	b := room[:min(uint64(len(room)), (pages-id)*pageSize)]
	if len(b) == 0 {
		b = make([]byte, pageSize)
	}
	if _, err := file.ReadAt(b, int64(id)*pageSize); err != nil {
		return nil, damaged("data file: page %d: %v", id, err)
	}
	more := uint64(little.Uint32(b[12:]))
	if little.Uint64(b) != id || more >= min(pages-id, mostLeaf/pageSize) {
		return nil, damaged("data file: page %d has a wrong heading", id)
	}
	size := int(more+1) * pageSize
	read := len(b)
	if size <= read {
		return b[:size], nil
	}
	b = slices.Grow(b, size-read)[:size]
	if _, err := file.ReadAt(b[read:], int64(id)*pageSize+int64(read)); err != nil {
		return nil, damaged("data file: page %d: %v", id, err)
	}
	return b, nil
}
