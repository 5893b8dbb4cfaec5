package main

import (
	"errors"
	"path/filepath"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/collector/store"
	"tickover/model"
	"tickover/testdata/soak"
)

// ours is Tickover's store.
type ours struct{}

func (ours) keep(dir string, days int) (k kept, err error) {
	s, err := store.Open(store.Options{Dir: dir, Points: soak.Points(), KernelBoot: "one"})
	if err != nil {
		return k, err
	}
	g, before, begin := soak.New(), written(), time.Now()
	for range days * daySeconds {
		for _, scan := range g.Next() {
			if err := s.Append(scan, nil); err != nil {
				return k, err
			}
		}
	}
	if err := s.Close(); err != nil {
		return k, err
	}
	k.Rate = rate(days*daySamples, time.Since(begin))
	k.Written = (written() - before) / float64(days) / 1e6
	k.Log = resident()
	path := filepath.Join(dir, "tickover.db")
	values, pages, err := inside(path)
	if err != nil {
		return k, err
	}
	// Pages in use grow with the days; what is free between them, and what the
	// file keeps ready beyond them, does not.
	k.File = (pages/float64(days)*30 + size(dir) - ringBytes - pages) / (30 * daySamples)
	k.Payload = values / float64(days*daySamples)
	return k, nil
}

// ringBytes is how large the ring beside the data file is.
const ringBytes = 4 << 20

// inside sums the values of all blocks, and the pages of all tables.
func inside(path string) (values, pages float64, err error) {
	db, err := bolt.Open(path, 0o600, &bolt.Options{ReadOnly: true})
	if err != nil {
		return 0, 0, err
	}
	defer db.Close()
	err = db.View(func(tx *bolt.Tx) error {
		err := tx.ForEach(func(_ []byte, b *bolt.Bucket) error {
			st := b.Stats()
			pages += float64(st.BranchPageN+st.BranchOverflowN+st.LeafPageN+st.LeafOverflowN) * 4096
			return nil
		})
		blocks := tx.Bucket([]byte("blocks"))
		return errors.Join(err, blocks.ForEachBucket(func(group []byte) error {
			return blocks.Bucket(group).ForEach(func(_, v []byte) error { values += float64(len(v)); return nil })
		}))
	})
	return values, pages, err
}

type ourReader struct{ store *store.Store }

func (ours) open(dir string) (reader, error) {
	s, err := store.Open(store.Options{Dir: dir, ReadOnly: true})
	return ourReader{s}, err
}

func (r ourReader) read(all bool) (n int, _ error) {
	q := model.Query{Points: []model.PointID{model.VoltageL1N}}
	if all {
		q = model.Query{}
	}
	for c, err := range r.store.Columns(q) {
		if err != nil {
			return n, err
		}
		for i := range c.Values {
			n += len(c.Values[i])
		}
	}
	return n, nil
}

func (r ourReader) close() error { return r.store.Close() }
