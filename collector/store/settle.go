package store

import (
	"errors"
	"fmt"
	"os"

	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"
	"golang.org/x/sys/unix"
)

// errNotOpen is wrapped while the data file is not open.
var errNotOpen = errors.New("data file is not open")

// handle is the data file as it is open now.
type handle struct {
	db   *bolt.DB
	file *os.File // that db has open; closed with it
}

// doubt is a commit of which it is not known whether it reached the card.
type doubt struct {
	id      int    // of the transaction; 0 when none began
	done    func() // to be called if it did; may be nil
	job     *job   // the commit; nil once its outcome was looked at
	refused error  // what the transaction's own function returned
}

// view runs a short read transaction. Nothing that fn saw may be used after,
// and fn must not begin another.
func (d *data) view(fn func(tx *bolt.Tx) error) error {
	return d.viewFile(func(_ *handle, tx *bolt.Tx) error { return fn(tx) })
}

// viewFile is view for those who need the open file too. It takes no lock that
// a write holds: a handle is exchanged, never locked.
func (d *data) viewFile(fn func(h *handle, tx *bolt.Tx) error) error {
	h := d.open.Load()
	if h == nil {
		return errNotOpen
	}
	return guard(func() error {
		err := h.db.View(func(tx *bolt.Tx) error {
			if d.touched.Load() > mostTouched {
				d.letGo(h, tx)
			}
			return fn(h, tx)
		})
		if errors.Is(err, berrors.ErrDatabaseNotOpen) {
			return errNotOpen // closed a moment ago
		}
		return err
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
func (d *data) letGo(h *handle, tx *bolt.Tx) {
	d.touched.Store(0)
	_, _, _ = unix.Syscall(unix.SYS_MADVISE, h.db.Info().Data, uintptr(tx.Size()), unix.MADV_DONTNEED)
}

// update runs a write transaction that nothing else depends on.
func (d *data) update(fn func(tx *bolt.Tx) error) error { return d.commit(fn, nil) }

// commit runs a write transaction and calls done, which may be nil, when it is
// on the card. It returns errSlow when that takes too long; the transaction then
// goes on, and a later settle finds its outcome. After a failed write or flush
// the outcome is not known: the kernel may show pages that it could not write,
// and forget them later. So the file is opened again and read back.
func (d *data) commit(fn func(tx *bolt.Tx) error, done func()) error {
	if err := d.settle(); err != nil {
		return err
	}
	d.commits++
	now := &doubt{done: done}
	now.job = begin(d.wake, func() error {
		return d.try(func(tx *bolt.Tx) error {
			now.id = tx.ID()
			now.refused = fn(tx)
			return now.refused
		})
	})
	d.doubt = now
	if !now.job.within(slow) {
		return errSlow
	}
	return d.judge()
}

// judge looks at the outcome of a commit that ended.
func (d *data) judge() error {
	now := d.doubt
	err := now.job.err
	switch {
	case err == nil:
		now.confirm()
		d.doubt = nil
		return nil
	case now.refused != nil, errors.Is(err, berrors.ErrMaxSizeReached), errors.Is(err, errNotOpen):
		d.doubt = nil
		return err // nothing was written
	}
	now.job = nil
	if settleErr := d.settle(); settleErr != nil {
		return errors.Join(err, settleErr)
	}
	if now.confirmed() {
		return nil
	}
	return err
}

func (d *data) try(fn func(tx *bolt.Tx) error) error {
	h := d.open.Load()
	if h == nil {
		return errNotOpen
	}
	return guard(func() error {
		return h.db.Update(func(tx *bolt.Tx) error {
			// What a sealing adds to is read from the mapping first.
			if d.touched.Add(sealTouches) > mostTouched {
				d.letGo(h, tx)
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

// settle finds out what became of a commit in doubt: of one that took too long,
// once it ended; of one that failed, by opening the file again.
func (d *data) settle() error {
	switch {
	case d.doubt == nil:
		return nil
	case d.doubt.job != nil && d.doubt.job.running():
		return errSlow
	case d.doubt.job != nil:
		err := d.judge()
		if d.doubt == nil {
			return nil // known now, whatever it was
		}
		return err
	}
	if d.opening == nil {
		d.opening = begin(d.wake, d.reopen)
	}
	if !d.opening.within(slow) {
		return errSlow
	}
	err := d.opening.err
	d.opening = nil
	if err != nil {
		return fmt.Errorf("open data file again: %w", err)
	}
	if d.newest >= d.doubt.id {
		d.doubt.confirm()
	}
	d.doubt = nil
	return nil
}

// reopen closes the file, has the kernel forget what it holds of it, opens it
// as at the start and notes its newest transaction. A file that is damaged now
// stays where it is: the next start sets it aside.
func (d *data) reopen() error {
	d.abandon(d.open.Swap(nil))
	if f, err := os.Open(d.path); err == nil {
		_ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)
		f.Close()
	}
	fresh, err := openData(d.opts, d.path)
	if err != nil {
		return err
	}
	d.open.Store(fresh.open.Load())
	return d.view(func(tx *bolt.Tx) error { d.newest = tx.ID(); return nil })
}

// abandon closes a handle without waiting for it. bbolt's Close waits for locks
// that a transaction holds which met a fault, for ever if need be; the file's
// lock is then given back all the same, and the mapping is left behind. Nothing
// can write through such a handle any more: a commit that still runs is waited
// for before its handle comes here.
func (d *data) abandon(h *handle) {
	if h == nil {
		return
	}
	closing := begin(func() {}, func() error { return guard(h.db.Close) })
	if !closing.within(slow) && h.file != nil {
		_ = unix.Flock(int(h.file.Fd()), unix.LOCK_UN)
	}
}

// close lets the file go; an error of a card that fails is returned.
func (d *data) close() error {
	h := d.open.Swap(nil)
	if h == nil {
		return nil
	}
	closing := begin(func() {}, func() error { return guard(h.db.Close) })
	if !closing.within(slow) {
		_ = unix.Flock(int(h.file.Fd()), unix.LOCK_UN)
		return fmt.Errorf("close data file: %w", errSlow)
	}
	return closing.err
}
