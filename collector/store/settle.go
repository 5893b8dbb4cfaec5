package store

import (
	"errors"
	"fmt"
	"os"

	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"
	"golang.org/x/sys/unix"
)

// errNotOpen is wrapped while the data file can't be opened anew.
var errNotOpen = errors.New("data file is not open")

// doubt is a commit of which nobody knows whether it reached the card.
type doubt struct {
	id   int    // of the transaction
	done func() // to be called if it did
}

// view runs a short read transaction. Nothing that fn saw may be used after,
// and fn must not begin another.
func (d *data) view(fn func(tx *bolt.Tx) error) error {
	d.mu.RLock()
	defer d.mu.RUnlock()
	if d.db == nil {
		return errNotOpen
	}
	return guard(func() error {
		return d.db.View(func(tx *bolt.Tx) error {
			if d.touched.Load() > mostTouched {
				d.letGo(tx)
			}
			return fn(tx)
		})
	})
}

// mostTouched is how many bytes of the file may be read before its pages are
// let go.
const mostTouched = 8 << 20

// sealTouches is about how much of the file one sealing reads.
const sealTouches = 64 << 10

// letGo takes the file's pages out of this process. They stay in the kernel's
// cache and come back when touched; left alone, reading a month would make
// all of it resident here. The mapping can't move while tx is open.
func (d *data) letGo(tx *bolt.Tx) {
	d.touched.Store(0)
	_, _, _ = unix.Syscall(unix.SYS_MADVISE, d.db.Info().Data, uintptr(tx.Size()), unix.MADV_DONTNEED)
}

// update runs a write transaction that nothing else hangs on.
func (d *data) update(fn func(tx *bolt.Tx) error) error { return d.commit(fn, nil) }

// commit runs a write transaction and calls done, which may be nil, when it is
// on the card. After a failed write or flush nobody knows: the kernel may show
// pages that it could not write, and forget them later. So the file is opened
// anew and read back. While that fails too, done is called by a later settle.
func (d *data) commit(fn func(tx *bolt.Tx) error, done func()) error {
	if err := d.settle(); err != nil {
		return err
	}
	d.commits++
	now := &doubt{done: done}
	var refused error
	err := d.try(func(tx *bolt.Tx) error {
		now.id = tx.ID()
		refused = fn(tx)
		return refused
	})
	switch {
	case err == nil:
		now.confirm()
		return nil
	case refused != nil, errors.Is(err, berrors.ErrMaxSizeReached):
		return err // nothing was written
	}
	d.doubt = now
	if settleErr := d.settle(); settleErr != nil {
		return errors.Join(err, settleErr)
	}
	if d.doubt == nil && now.confirmed() {
		return nil
	}
	return err
}

func (d *data) try(fn func(tx *bolt.Tx) error) error {
	d.mu.RLock()
	defer d.mu.RUnlock()
	return guard(func() error {
		return d.db.Update(func(tx *bolt.Tx) error {
			// What a sealing adds to is read from the mapping first.
			if d.touched.Add(sealTouches) > mostTouched {
				d.letGo(tx)
			}
			return fn(tx)
		})
	})
}

func (d *doubt) confirm() {
	if d.done != nil {
		d.done()
	}
	d.id = 0
}

func (d *doubt) confirmed() bool { return d.id == 0 }

// settle opens the file anew when a commit is in doubt, and finds out what
// became of it.
func (d *data) settle() error {
	if d.doubt == nil {
		return nil
	}
	if err := d.reopen(); err != nil {
		return fmt.Errorf("open data file anew: %w", err)
	}
	newest := 0
	if err := d.view(func(tx *bolt.Tx) error { newest = tx.ID(); return nil }); err != nil {
		return err
	}
	if newest >= d.doubt.id {
		d.doubt.confirm()
	}
	d.doubt = nil
	return nil
}

// reopen closes the file, has the kernel forget what it holds of it, and opens
// it as at the start. A file that is damaged now stays where it is: the next
// start sets it aside.
func (d *data) reopen() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.db != nil {
		_ = guard(d.db.Close)
		d.db = nil
	}
	if f, err := os.Open(d.path); err == nil {
		_ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)
		f.Close()
	}
	fresh, err := openData(d.opts, d.path)
	if err != nil {
		return err
	}
	d.db, d.file = fresh.db, fresh.file
	return nil
}

func (d *data) close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.db == nil {
		return nil
	}
	err := guard(d.db.Close)
	d.db = nil
	return err
}
