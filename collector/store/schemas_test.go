package store

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// entries lists key and value of a bucket, one after the other as they lie in
// the file.
func entries(t *testing.T, s *Store, bucket []byte) (list [][]byte) {
	t.Helper()
	err := s.data.view(func(tx *bolt.Tx) error {
		return tx.Bucket(bucket).ForEach(func(k, v []byte) error {
			list = append(list, slices.Concat(k, v))
			return nil
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// spoil changes a byte in every copy of some entries, old ones included.
func spoil(t *testing.T, path string, entries [][]byte) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		for at := bytes.Index(text, e); at >= 0; at = bytes.Index(text, e) {
			text[at+len(e)/2] ^= 1
		}
	}
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
}

// TestSchemasAreKeptTwice damages every schema, or every spare: all rows must
// be there, by opening and by salvage, and both must be whole again after. With
// both damaged it must be told that blocks are unreadable.
func TestSchemasAreKeptTwice(t *testing.T) {
	t.Parallel()
	dir, rows, _ := workedStore(t)
	s := mustOpen(t, options(dir))
	schemas, spares := entries(t, s, bucketSchemas), entries(t, s, bucketSpares)
	mustClose(t, s)
	text, err := os.ReadFile(filepath.Join(dir, dataName))
	if err != nil || len(schemas) != 2 || len(spares) != 2 {
		t.Fatal(len(schemas), len(spares), err)
	}
	for page := range slices.Chunk(text, pageSize) {
		if bytes.Contains(page, schemas[0]) && bytes.Contains(page, spares[0]) {
			t.Fatal("a schema and its spare lie on one page")
		}
	}
	for name, bad := range map[string][][]byte{"schemas": schemas, "spares": spares} {
		work := copyStore(t, dir)
		path := filepath.Join(work, dataName)
		spoil(t, path, bad)
		out := filepath.Join(t.TempDir(), "salvaged")
		if _, err := Salvage(context.Background(), path, out, nil); err != nil {
			t.Fatal(err)
		}
		for _, folder := range []string{work, out} {
			s := mustOpen(t, options(folder))
			same(t, name+" damaged", lines(t, s, model.Query{}), rows)
			if told := strings.Join(s.told, "\n"); folder == work && !strings.Contains(told, "spare") {
				t.Errorf("%s damaged, and nothing says so: %s", name, told)
			}
			mustClose(t, s)
			mustBeClean(t, folder)
			s = mustOpen(t, options(folder))
			if len(entries(t, s, bucketSchemas)) != 2 || len(entries(t, s, bucketSpares)) != 2 || len(s.told) > 0 {
				t.Errorf("%s damaged: not whole after: %s", name, s.told)
			}
		}
	}
	spoil(t, filepath.Join(dir, dataName), slices.Concat(schemas, spares))
	r := mustOpenPlain(t, Options{Dir: dir, ReadOnly: true, LockTimeout: -1})
	defer r.Close()
	for _, err := range r.Scans(model.Query{}) {
		if !errors.Is(err, ErrDamaged) {
			t.Fatalf("without any schema: %v", err)
		}
		break
	}
}

// TestSalvageOfThinnedStore wants nothing made up from the table of what was
// thinned out, whose keys are names as long as those of other tables.
func TestSalvageOfThinnedStore(t *testing.T) {
	t.Parallel()
	o := options(t.TempDir())
	s := mustOpen(t, o)
	fill(t, s, 1, 0, 700)
	err := s.data.update(func(tx *bolt.Tx) error {
		for _, group := range []string{"meter/1s", "meter/ 500ms", "engine/500ms", "adapter/500ms"} {
			if err := put(tx.Bucket(bucketGone), []byte(group), make([]byte, 8)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	mustClose(t, s)
	copied, err := Salvage(context.Background(), filepath.Join(o.Dir, dataName), filepath.Join(t.TempDir(), "salvaged"), nil)
	if err != nil || copied.Photos != 0 || copied.Blocks != 1 || len(copied.Missing) > 0 {
		t.Fatalf("%+v, %v", copied, err)
	}
}
