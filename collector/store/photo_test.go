package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"testing"

	bolt "go.etcd.io/bbolt"
)

func TestPhotosAreKeptBoundedAndChecked(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, options(dir))
	if _, err := s.Photo(1); !errors.Is(err, ErrNoPhoto) {
		t.Errorf("a store without photos says %v", err)
	}
	picture := bytes.Repeat([]byte("jpeg"), 5000)
	for want := uint64(1); want <= 2; want++ {
		if n, err := s.PutPhoto(picture); err != nil || n != want {
			t.Fatalf("photo %d is number %d, %v", want, n, err)
		}
	}
	for _, size := range []int{0, LargestPhoto + 1} {
		if _, err := s.PutPhoto(make([]byte, size)); err == nil {
			t.Errorf("a photo of %d bytes is kept", size)
		}
	}
	mustClose(t, s)
	o := options(dir)
	o.ReadOnly = true
	s = mustOpen(t, o)
	if got, err := s.Photo(2); err != nil || !bytes.Equal(got, picture) {
		t.Errorf("after reopening %d bytes, %v", len(got), err)
	}
	if _, err := s.PutPhoto(picture); !errors.Is(err, errReadOnly) {
		t.Errorf("a store opened to read takes a photo: %v", err)
	}
}

func TestPhotosEndAtTheirNumber(t *testing.T) {
	s := mustOpen(t, options(t.TempDir()))
	for range MostPhotos {
		if _, err := s.PutPhoto([]byte("x")); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.PutPhoto([]byte("x")); !errors.Is(err, ErrPhotos) {
		t.Errorf("one more gives %v", err)
	}
}

func TestDamagedPhotoIsNamed(t *testing.T) {
	s, err := Open(options(t.TempDir()))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.PutPhoto([]byte("a picture")); err != nil {
		t.Fatal(err)
	}
	err = s.data.update(func(tx *bolt.Tx) error {
		bucket := tx.Bucket(bucketPhotos)
		key := binary.BigEndian.AppendUint64(nil, 1)
		value := bytes.Clone(bucket.Get(key))
		value[len(value)-1] ^= 1
		return bucket.Put(key, value)
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Photo(1); !errors.Is(err, ErrDamaged) {
		t.Errorf("reading it says %v", err)
	}
	found, err := s.Verify(t.Context(), nil)
	if err != nil || len(found.Problems) != 1 || found.Problems[0].Where != "photo, key 0000000000000001" {
		t.Errorf("verify finds %v, %v", found.Problems, err)
	}
}
