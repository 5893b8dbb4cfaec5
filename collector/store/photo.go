package store

import (
	"encoding/binary"
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// Bounds of what people attach, so that pictures never crowd out readings.
const (
	LargestPhoto = 1 << 20 // bytes of one
	MostPhotos   = 400     // of one store
)

// Errors of photos.
var (
	// ErrPhotos is returned when the store holds MostPhotos already.
	ErrPhotos = errors.New("store holds as many photos as it may (400)")
	// ErrNoPhoto is returned for a number under which there is no photo.
	ErrNoPhoto = errors.New("no photo of that number")
)

// bucketPhotos is made with the first photo; older stores do not have it.
var bucketPhotos = []byte("photos")

// PutPhoto keeps a picture of at most LargestPhoto bytes and returns its
// number, from 1. It is on the card when PutPhoto returns without error.
func (s *Store) PutPhoto(picture []byte) (uint64, error) {
	if err := s.readOnly(); err != nil {
		return 0, err
	}
	if len(picture) == 0 || len(picture) > LargestPhoto {
		return 0, fmt.Errorf("keep photo: %d bytes, allowed are 1 to %d", len(picture), LargestPhoto)
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	var number uint64
	err := s.data.update(func(tx *bolt.Tx) error {
		bucket, err := tx.CreateBucketIfNotExists(bucketPhotos)
		if err != nil {
			return err
		}
		if last, _ := bucket.Cursor().Last(); len(last) == 8 {
			number = binary.BigEndian.Uint64(last)
		}
		if number++; number > MostPhotos {
			return ErrPhotos
		}
		return put(bucket, binary.BigEndian.AppendUint64(nil, number), picture)
	})
	if err != nil {
		return 0, fmt.Errorf("keep photo: %w", err)
	}
	return number, nil
}

// Photo returns a picture; ErrNoPhoto when there is none, and an error that
// wraps ErrDamaged when it is not what was kept.
func (s *Store) Photo(number uint64) ([]byte, error) {
	var picture []byte
	err := s.data.view(func(tx *bolt.Tx) error {
		bucket := tx.Bucket(bucketPhotos)
		if bucket == nil {
			return ErrNoPhoto
		}
		var err error
		picture, err = get(bucket, binary.BigEndian.AppendUint64(nil, number))
		s.data.touched.Add(int64(len(picture)))
		if err == nil && picture == nil {
			err = ErrNoPhoto
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read photo %d: %w", number, err)
	}
	return picture, nil
}

// photos checks every picture kept.
func (v *verifying) photos() {
	v.store.table(recordPhoto, "", model.Span{}, func(r record, err error) bool {
		if err == nil {
			err = r.check()
		}
		if err != nil {
			v.found.problem(fmt.Sprintf("photo, key %x", r.key), err)
		}
		return v.ctx.Err() == nil
	})
}
