package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	bolt "go.etcd.io/bbolt"
)

// grownTree is an open store with entries of a group "x", small and of several
// pages, of which some were deleted again.
func grownTree(t *testing.T, random *rand.Rand, entries int) *Store {
	t.Helper()
	s := mustOpenPlain(t, options(t.TempDir()))
	t.Cleanup(func() { _ = s.release() })
	for n := 0; n < entries; {
		changeTree(t, s, func(b *bolt.Bucket) (err error) {
			for range random.IntN(40) {
				n++
				size := []int{20, 200, 3000, 20000}[random.IntN(4)]
				err = errors.Join(err, b.Put(numberKey(n), bytes.Repeat([]byte{byte(n)}, size)))
			}
			for range random.IntN(10) {
				err = errors.Join(err, b.Delete(numberKey(random.IntN(n+1))))
			}
			return err
		})
	}
	return s
}

func numberKey(n int) []byte { return binary.BigEndian.AppendUint32(nil, uint32(n)) }

func changeTree(t *testing.T, s *Store, change func(*bolt.Bucket) error) {
	t.Helper()
	err := s.data.update(func(tx *bolt.Tx) error {
		b, err := tx.Bucket(bucketBlocks).CreateBucketIfNotExists([]byte("gx"))
		if err != nil {
			return err
		}
		b.FillPercent = 1
		return change(b)
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestLeaves holds the reader of leaves against bbolt's own cursor, from an
// inline bucket to a tree of several levels, while the oldest entries go and
// new ones come.
func TestLeaves(t *testing.T) {
	for _, entries := range []int{0, 1, 30, 300, 2000} {
		random := rand.New(rand.NewPCG(7, uint64(entries)))
		s := grownTree(t, random, entries)
		last := entries + 100
		for range 10 {
			var l leaves
			key := numberKey(random.IntN(last + 1))
			for step := 0; key != nil; step++ {
				k, v, err := l.seek(s.data, bucketBlocks, "x", key)
				if err != nil {
					t.Fatal(err)
				}
				err = s.data.view(func(tx *bolt.Tx) error {
					var wantK, wantV []byte
					if b := tx.Bucket(bucketBlocks).Bucket([]byte("gx")); b != nil {
						wantK, wantV = b.Cursor().Seek(key)
					}
					if !bytes.Equal(k, wantK) || !bytes.Equal(v, wantV) || (k == nil) != (wantK == nil) {
						t.Fatalf("%d entries, step %d: from %x came %x of %d bytes, bbolt has %x of %d", entries, step, key, k, len(v), wantK, len(wantV))
					}
					return nil
				})
				if err != nil || k == nil {
					break
				}
				key = append(bytes.Clone(k), 0)
				if n := int(binary.BigEndian.Uint32(k)); random.IntN(20) == 0 {
					changeTree(t, s, func(b *bolt.Bucket) error {
						last++
						beyond := n + 100 + random.IntN(300) // not in the leaf at hand
						return errors.Join(b.Delete(numberKey(random.IntN(n+1))), b.Delete(numberKey(beyond)), b.Put(numberKey(last), make([]byte, 5000)))
					})
				}
			}
		}
	}
}

// TestDamagedLeaf spoils the headings of pages one by one under an open store:
// one leaf costs no other, and nothing is read wrong or for ever.
func TestDamagedLeaf(t *testing.T) {
	s := grownTree(t, rand.New(rand.NewPCG(7, 7)), 200)
	whole, _ := readLeaves(t, s, 0)
	path := filepath.Join(s.opts.Dir, dataName)
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	spoiled := 0
	for _, at := range []int{0, 10, 12, 20, 24, 30} { // of headings and first entries
		for id := 2; id < len(good)/pageSize; id++ {
			place, kind := id*pageSize+at, little.Uint16(good[id*pageSize+8:])
			if int(little.Uint64(good[id*pageSize:])) != id || kind != pageLeaf && kind != pageBranch || at > 20 && kind == pageLeaf {
				continue
			}
			if kind == pageLeaf && little.Uint32(good[id*pageSize+pageHeader:]) == 1 {
				continue // it holds the buckets themselves
			}
			mustWriteAt(t, path, place, good[place]^0x41)
			got, faults := readLeaves(t, s, 2*len(whole))
			for k, v := range got {
				if whole[k] != v && faults == 0 {
					t.Fatalf("byte %d of page %d: entry %x is wrong and nothing told", at, id, k)
				}
			}
			if len(got) < len(whole) && faults == 0 {
				t.Fatalf("byte %d of page %d: %d entries of %d and nothing told", at, id, len(got), len(whole))
			}
			if faults > 0 && kind == pageLeaf {
				spoiled++
				if len(got) < len(whole)/2 {
					t.Fatalf("byte %d of leaf %d: only %d entries of %d", at, id, len(got), len(whole))
				}
			}
			mustWriteAt(t, path, place, good[place])
		}
	}
	if spoiled < 50 {
		t.Fatalf("only %d leaves were found spoiled", spoiled)
	}
}

func mustWriteAt(t *testing.T, path string, at int, b byte) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err == nil {
		_, err = f.WriteAt([]byte{b}, int64(at))
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
}

// readLeaves reads all entries, going on after what is damaged.
func readLeaves(t *testing.T, s *Store, most int) (entries map[string]string, faults int) {
	t.Helper()
	entries = map[string]string{}
	var l leaves
	for key, n := []byte{}, 0; key != nil; n++ {
		if most > 0 && n > most {
			t.Fatal("it goes on for ever")
		}
		k, v, err := l.seek(s.data, bucketBlocks, "x", key)
		switch {
		case err != nil:
			if !errors.Is(err, ErrDamaged) {
				t.Fatal(err)
			}
			faults++
			key = l.next
		case k == nil:
			key = nil
		default:
			entries[string(k)] = string(v)
			key = append(bytes.Clone(k), 0)
		}
	}
	return entries, faults
}
