package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strconv"
	"sync/atomic"
	"time"

	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"
)

const (
	dataName     = "tickover.db"
	ringName     = "tickover.ring"
	format       = 3 // of the files; see FORMAT.md
	valueVersion = 1
	valueHead    = 5 // version byte and CRC before every value
	// openLimit bounds the opening of a file: a card may hang. The file is not
	// called damaged then, as nothing of it was seen.
	openLimit = 20 * time.Second
	// growth is by how much the data file grows beyond what a commit needs. A
	// soak day takes three such steps, each one more flush; bbolt's own 16 MiB
	// would lie empty on the card for ten days.
	growth = 512 << 10
)

var (
	bucketMeta    = []byte("meta")
	bucketBoots   = []byte("boots")
	bucketSchemas = []byte("schemas")
	bucketBlocks  = []byte("blocks") // holds one bucket for each group, named "g" + group
	bucketEvents  = []byte("events")
	bucketSetups  = []byte("setups")
	firstBuckets  = [][]byte{bucketMeta, bucketBoots, bucketSchemas, bucketBlocks, bucketEvents, bucketSetups}
	bucketMinutes = []byte("minutes")                               // like blocks
	bucketKept    = []byte("kept")                                  // spans whose blocks are never thinned out
	bucketGone    = []byte("gone")                                  // by group, the highest ordinal that was thinned out
	laterBuckets  = [][]byte{bucketMinutes, bucketKept, bucketGone} // since format 2
	keyFormat     = []byte("format")
	keySealed     = []byte("sealed")
)

// damage is an error about stored bytes; it is ErrDamaged.
type damage struct{ what string }

func (d damage) Error() string { return d.what + ": " + ErrDamaged.Error() }
func (d damage) Unwrap() error { return ErrDamaged }

// Damaged marks the error for the page.
func (damage) Damaged() {}

func damaged(format string, args ...any) error { return damage{fmt.Sprintf(format, args...)} }

// guard runs fn and turns the panics and faults of a damaged file into errors.
func guard(fn func() error) (err error) {
	old := debug.SetPanicOnFault(true)
	defer debug.SetPanicOnFault(old)
	defer func() {
		if p := recover(); p != nil {
			err = damaged("read data file: %v", p)
		}
	}()
	return fn()
}

// data is the bbolt file. Every access goes through guard.
type data struct {
	open    atomic.Pointer[handle] // nil while it can't be opened
	opts    Options
	doubt   *doubt // by the one writer only, as are opening and newest
	opening *job   // that opens the file again
	newest  int    // transaction found by the last reopen
	wake    func() // called when a job ended
	path    string
	told    []string // what was wrong but did no harm
	format  uint32
	commits int64        // transactions written; each ends with one meta page
	touched atomic.Int64 // bytes read from the mapping since its pages were let go
}

func boltOptions(o Options, readOnly bool) *bolt.Options {
	b := &bolt.Options{Timeout: max(o.LockTimeout, time.Millisecond), ReadOnly: readOnly, PageSize: 4096,
		FreelistType: bolt.FreelistMapType, OpenFile: o.OpenData, // statistics stay on: thinning out asks for free pages
		InitialMmapSize: 256 << 20, MaxSize: maxFile()}
	if strconv.IntSize == 64 && !readOnly {
		b.InitialMmapSize = 1 << 30
	}
	return b
}

// maxFile is how large the data file may grow. On 32 bits bbolt's mapping has
// to find one hole in the address space, and beyond 2 GiB its arithmetic
// overflows and destroys the file.
func maxFile() int {
	gib := int64(1 << 30)
	if strconv.IntSize == 64 {
		gib *= 4
	}
	return int(gib)
}

// openData opens an existing file and looks whether it can be used at all.
func openData(o Options, path string) (*data, error) {
	type result struct {
		d   *data
		err error
	}
	done := make(chan result, 1)
	go func() {
		d, h := &data{path: path, opts: o, wake: func() {}}, &handle{}
		err := guard(func() (err error) {
			w, err := checkTree(path, false, nil)
			if err != nil {
				return err
			}
			d.told = w.spoiled
			opts := boltOptions(o, o.ReadOnly)
			opts.OpenFile = func(name string, flag int, perm os.FileMode) (f *os.File, err error) {
				h.file, err = o.OpenData(name, flag, perm)
				return h.file, err
			}
			h.db, err = bolt.Open(path, 0o600, opts)
			if err != nil {
				return err
			}
			h.db.AllocSize = growth
			d.open.Store(h)
			return h.db.View(d.look)
		})
		done <- result{d, err}
	}()
	select {
	case r := <-done:
		if r.err != nil {
			r.d.abandon(r.d.open.Swap(nil))
		}
		return r.d, explain(r.err)
	case <-time.After(openLimit):
		go func() { r := <-done; r.d.abandon(r.d.open.Swap(nil)) }() // should it end after all
		return nil, fmt.Errorf("open data file: not done after %s (look at the card)", openLimit)
	}
}

// explain turns bbolt's errors into ours.
func explain(err error) error {
	switch {
	case errors.Is(err, berrors.ErrTimeout):
		return ErrLocked
	case errors.Is(err, berrors.ErrInvalid), errors.Is(err, berrors.ErrChecksum), errors.Is(err, berrors.ErrVersionMismatch):
		return damaged("open data file: %v", err)
	}
	return err
}

// look checks the format and touches every bucket.
func (d *data) look(tx *bolt.Tx) error {
	meta := tx.Bucket(bucketMeta)
	if meta == nil {
		return damaged("open data file: no meta bucket")
	}
	value, err := unwrap(keyFormat, meta.Get(keyFormat))
	d.format = format
	switch {
	case errors.Is(err, ErrNewer), err == nil && len(value) == 4 && binary.BigEndian.Uint32(value) > format:
		return ErrNewer
	case err == nil && len(value) == 4:
		d.format = binary.BigEndian.Uint32(value)
	default:
		d.told = append(d.told, "the data file's format number is unreadable; it was taken as the present one")
		if tx.Bucket(bucketGone) == nil {
			d.format = 1
		}
	}
	for _, name := range buckets(d.format) {
		if tx.Bucket(name) == nil {
			return damaged("open data file: bucket %s missing", name)
		}
	}
	return nil
}

// buckets lists those that a file of a format has.
func buckets(format uint32) [][]byte {
	if format < 2 {
		return firstBuckets
	}
	return slices.Concat(firstBuckets, laterBuckets)
}

// createData makes a new file under another name and renames it when whole,
// since a cut during the first pages would leave a file that can't be opened.
func createData(o Options, path string) error {
	fresh := path + ".new"
	if err := os.Remove(fresh); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("make data file: %w", err)
	}
	err := guard(func() error {
		opts := boltOptions(o, false)
		opts.InitialMmapSize = 0
		db, err := bolt.Open(fresh, 0o600, opts)
		if err != nil {
			return err
		}
		return errors.Join(db.Update(layOut), db.Close())
	})
	if err == nil {
		err = os.Rename(fresh, path)
	}
	if err != nil {
		_ = os.Remove(fresh)
		return fmt.Errorf("make data file: %w", err)
	}
	return syncDir(filepath.Dir(path))
}

func layOut(tx *bolt.Tx) error {
	for _, name := range buckets(format) {
		if _, err := tx.CreateBucket(name); err != nil {
			return err
		}
	}
	meta := tx.Bucket(bucketMeta)
	return errors.Join(put(meta, keyFormat, binary.BigEndian.AppendUint32(nil, format)),
		put(meta, keySealed, binary.BigEndian.AppendUint64(nil, 0)))
}

// setAside renames a damaged file, so that it can be looked at later.
func setAside(path string) (string, error) {
	for n := 1; ; n++ {
		aside := fmt.Sprintf("%s.damaged-%d", path, n)
		if _, err := os.Lstat(aside); errors.Is(err, os.ErrNotExist) {
			if err := os.Rename(path, aside); err != nil {
				return "", fmt.Errorf("set damaged file aside: %w", err)
			}
			return filepath.Base(aside), syncDir(filepath.Dir(path))
		}
	}
}

// put stores a value behind its version byte and its CRC, which covers the
// key too: a value found under another key is as wrong as a changed one.
func put(b *bolt.Bucket, key, payload []byte) error { return b.Put(key, wrap(key, payload)) }

// wrap puts version and sum before a payload.
func wrap(key, payload []byte) []byte {
	value := make([]byte, valueHead, valueHead+len(payload))
	value = append(value, payload...)
	value[0] = valueVersion
	binary.LittleEndian.PutUint32(value[1:], valueSum(key, value))
	return value
}

func valueSum(key, value []byte) uint32 {
	sum := crc32.Update(0, castagnoli, key)
	sum = crc32.Update(sum, castagnoli, value[:1])
	return crc32.Update(sum, castagnoli, value[valueHead:])
}

// unwrap checks a value and returns its payload, which lives as long as the
// value does.
func unwrap(key, value []byte) ([]byte, error) {
	switch {
	case len(value) < valueHead || binary.LittleEndian.Uint32(value[1:]) != valueSum(key, value):
		return nil, damaged("value of key %x fails its checksum", key)
	case value[0] > valueVersion:
		return nil, ErrNewer
	}
	return value[valueHead:], nil
}

// get returns a copy of a payload, nil when the key is not there.
func get(b *bolt.Bucket, key []byte) ([]byte, error) {
	value := b.Get(key)
	if value == nil {
		return nil, nil
	}
	payload, err := unwrap(key, value)
	return bytes.Clone(payload), err
}
