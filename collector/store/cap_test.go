//go:build 386 || arm

package store

import (
	"errors"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"tickover/model"
)

// TestCap fills the data file to where a 32-bit mapping must end, and wants an
// error instead of a destroyed file, logging that goes on into the ring, and
// the samples sealed once there is room again.
func TestCap(t *testing.T) {
	o := options(t.TempDir())
	s := mustOpen(t, o)
	large := make([]byte, 32<<20)
	n := byte(0)
	var err error
	for ; err == nil && n < 64; n++ {
		err = s.data.update(func(tx *bolt.Tx) error {
			b, err := tx.CreateBucketIfNotExists([]byte("photos"))
			if err != nil {
				return err
			}
			return put(b, []byte{0, 0, 0, 0, 0, 0, 0, n}, large)
		})
	}
	if !errors.Is(err, berrors.ErrMaxSizeReached) || n < 20 { // the last large value wants its room in one piece
		t.Fatalf("after %d times 32 MiB: %v", n, err)
	}
	want := fill(t, s, 1, 0, 300)
	same(t, "while full", lines(t, s, model.Query{}), want)
	err = s.data.update(func(tx *bolt.Tx) error { return tx.DeleteBucket([]byte("photos")) })
	if err != nil {
		t.Fatal(err)
	}
	mustAppend(t, s, scanAt("meter/1s", 1, 700*time.Second, model.GoodSample("v", 1), model.GoodSample("t", 2)))
	if h := s.Health(); h.Degraded != "" || h.Lost != 0 {
		t.Fatal(h)
	}
	mustClose(t, s)
	s = mustOpen(t, o)
	same(t, "reopened", lines(t, s, model.Query{})[:300], want)
}
