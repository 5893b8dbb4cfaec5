package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"tickover/model"
)

// lookEvery is how often the files are looked at from outside.
const lookEvery = 2 * time.Second

// sight is what looking at the folder found.
type sight struct {
	bytes, free        int64       // size of the files, room beside them (-1: not known)
	folder, ring, data string      // what is wrong with each; empty when it is as it was opened
	grown              os.FileInfo // of the data file, when it is as it should be
}

func (v sight) missing() string {
	return strings.Join(slices.DeleteFunc([]string{v.folder, v.ring, v.data}, func(t string) bool { return t == "" }), "; ")
}

// identity is what the folder and its files were when they were opened. A file
// that was deleted takes writes still, and loses all of them in the end.
type identity struct{ folder, ring, data os.FileInfo }

// identify notes what the files are now. Callers hold writing.
func (s *Store) identify() {
	var id identity
	id.folder, _ = os.Stat(s.opts.Dir)
	id.ring, _ = os.Stat(joinDir(s.opts.Dir, ringName))
	id.data, _ = os.Stat(joinDir(s.opts.Dir, dataName))
	s.mu.Lock()
	defer s.mu.Unlock()
	s.opened, s.seen.folder, s.seen.ring, s.seen.data = id, "", "", ""
}

// sizes returns how large the files are, and the room beside them.
func (s *Store) sizes() (v sight) {
	for _, name := range []string{dataName, ringName} {
		if st, err := os.Stat(joinDir(s.opts.Dir, name)); err == nil {
			v.bytes += st.Size()
		}
	}
	v.free = -1
	var fs unix.Statfs_t
	if unix.Statfs(s.opts.Dir, &fs) == nil {
		v.free = int64(fs.Bavail) * int64(fs.Bsize)
	}
	return v
}

// look compares folder and files with what was opened.
func (s *Store) look() (v sight) {
	s.mu.RLock()
	was := s.opened
	s.mu.RUnlock()
	v = s.sizes()
	v.folder = differs("the state folder", s.opts.Dir, was.folder, func(os.FileInfo) bool { return false })
	if v.folder != "" || was.folder == nil {
		return v
	}
	v.ring = differs(ringName, joinDir(s.opts.Dir, ringName), was.ring, func(now os.FileInfo) bool { return now.Size() != was.ring.Size() })
	v.data = differs(dataName, joinDir(s.opts.Dir, dataName), was.data, func(now os.FileInfo) bool { return now.Size() < was.data.Size() })
	if v.data == "" {
		v.grown, _ = os.Stat(joinDir(s.opts.Dir, dataName))
	}
	return v
}

func differs(name, path string, was os.FileInfo, cut func(os.FileInfo) bool) string {
	if was == nil {
		return ""
	}
	now, err := os.Stat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return name + " is gone (it is made again)"
	case err != nil:
		return fmt.Sprintf("%s cannot be seen: %v", name, err)
	case !os.SameFile(was, now):
		return name + " is another than was opened (the opened one is put in its place)"
	case cut(now):
		return name + " was cut short (it is made again)"
	}
	return ""
}

// inspect looks at the files until the context ends, beside the writer, which
// may be held by a card that hangs.
func (s *Store) inspect(ctx context.Context) {
	again := time.NewTicker(lookEvery)
	defer again.Stop()
	var v sight
	for {
		looking := begin(func() {}, func() error { v = s.look(); return nil })
		if !looking.within(slow) {
			_ = s.fail("looking at the state folder", errSlow)
			select {
			case <-looking.ended:
			case <-ctx.Done():
				return
			}
		}
		s.recovered("looking at the state folder")
		s.mu.Lock()
		s.seen, s.looked = v, true
		if v.grown != nil {
			s.opened.data = v.grown
		}
		s.mu.Unlock()
		if v.missing() != "" {
			s.nudge()
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			return
		}
	}
}

// repair makes again what is missing.
type repair struct {
	job   *job
	lost  sight
	lock  *os.File // of a folder made again
	data  *handle  // of a data file made again
	fresh bool     // it holds nothing of what was sealed
	ring  *ring    // made again
	aside string   // what was found in the data file's place is now this
}

// mendFiles makes files again that vanished under the running store. It returns
// nil when all is there. Callers hold writing.
func (s *Store) mendFiles() error {
	s.mu.RLock()
	lost := s.seen
	s.mu.RUnlock()
	if s.mending == nil {
		if lost.missing() == "" {
			return nil
		}
		if s.ring.settle() != nil || s.data.doubt != nil && s.data.doubt.job != nil && s.data.doubt.job.running() {
			return errSlow
		}
		r := &repair{lost: lost}
		r.job = begin(s.nudge, func() error { return s.makeAgain(r) })
		s.mending = r
	}
	if !s.mending.job.within(slow) {
		return errSlow
	}
	r := s.mending
	s.mending = nil
	if r.job.err != nil {
		return fmt.Errorf("make files again: %w", r.job.err)
	}
	s.takeRepair(r)
	return nil
}

// errAnother is returned when a folder with a store in it took the place of the
// one that was opened, as when a card is mounted over it.
var errAnother = errors.New("the state folder was replaced by another store (restart tickover to use it)")

// makeAgain does the work on the card, and changes nothing in the store.
func (s *Store) makeAgain(r *repair) (err error) {
	if r.lost.folder != "" {
		if _, err := os.Stat(joinDir(s.opts.Dir, dataName)); err == nil {
			return errAnother
		}
		if err := os.MkdirAll(s.opts.Dir, 0o700); err != nil {
			return err
		}
		if r.lock, err = lockDir(s.opts.Dir, false, -1); err != nil {
			return err
		}
	}
	if r.lost.folder != "" || r.lost.data != "" {
		if err := s.dataAgain(r); err != nil {
			return err
		}
	}
	if r.lost.folder != "" || r.lost.ring != "" {
		path := joinDir(s.opts.Dir, ringName)
		if _, err := os.Lstat(path); err == nil {
			if _, err := setAside(path); err != nil {
				return err
			}
		}
		r.ring, err = openRing(path, int(s.ring.slots), false, s.opts.OpenRing)
	}
	return err
}

// dataAgain puts a copy of the open data file in its place, or an empty one
// when that can't be read any more.
func (s *Store) dataAgain(r *repair) error {
	path := joinDir(s.opts.Dir, dataName)
	if _, err := os.Lstat(path); err == nil {
		if r.aside, err = setAside(path); err != nil {
			return err
		}
	}
	if h := s.data.open.Load(); h != nil && copyFile(h.file, path) == nil {
		if fresh, err := openData(s.opts, path); err == nil {
			r.data = fresh.open.Load()
			return nil
		}
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err := createData(s.opts, path); err != nil {
		return err
	}
	fresh, err := openData(s.opts, path)
	if err != nil {
		return err
	}
	r.data, r.fresh = fresh.open.Load(), true
	return nil
}

// copyFile copies an open file, whatever its name is now, under a name.
func copyFile(from *os.File, path string) error {
	st, err := from.Stat()
	if err != nil {
		return err
	}
	fresh := path + ".new"
	to, err := os.OpenFile(fresh, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(to, io.NewSectionReader(from, 0, st.Size()))
	err = errors.Join(err, to.Sync(), to.Close())
	if err == nil {
		err = os.Rename(fresh, path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(fresh))
	}
	return syncDir(filepath.Dir(path))
}

// takeRepair has the store work on what was made again, and says so.
func (s *Store) takeRepair(r *repair) {
	if r.lock != nil {
		if s.lock != nil {
			s.lock.Close()
		}
		s.lock = r.lock
	}
	if r.data != nil {
		s.data.doubt = nil // what it held is still in memory, or in the copy
		old := s.data.open.Swap(r.data)
		begin(func() {}, func() error { s.data.abandon(old); return nil })
	}
	if r.ring != nil {
		r.ring.next, r.ring.wake = s.ring.next, s.nudge
		_ = s.ring.close()
		s.ring = r.ring
	}
	text := r.lost.missing() + "; done"
	if r.aside != "" {
		text += ", what was found in the data file's place is now " + r.aside
	}
	if r.fresh {
		text += ", and the data file began empty: what was sealed before is missing"
	}
	s.log.Warn(text)
	s.identify()
	s.mu.Lock()
	if r.fresh {
		s.forgetSealed()
	}
	if r.ring != nil {
		s.live = s.ring.next
		for _, g := range s.groups {
			for _, seg := range g.segments {
				seg.kept = 0
			}
		}
		if len(s.events) > 0 {
			s.keptSeq = s.events[0].Seq - 1
		}
	}
	at := s.last
	if at.Boot != s.boot {
		at = model.Instant{Boot: s.boot}
	}
	s.number([]model.Event{{At: at, Kind: model.StoreEvent, Text: text}})
	s.flushDue, s.tryAgain = true, model.Instant{}
	s.mu.Unlock()
	if err := s.seal(); err != nil { // so that the fresh ring lacks nothing
		s.log.Warn("not yet in the data file", "err", err)
	}
}

// forgetSealed has everything that the store knows by heart written again, into
// a data file that is empty. Callers hold mu.
func (s *Store) forgetSealed() {
	clear(s.ids)
	clear(s.schemas)
	clear(s.mend)
	clear(s.gone)
	s.topSchema, s.spansKept, s.thinEvents = 0, 0, eventThinning{}
	for _, b := range s.boots {
		s.dirty[b.Number] = true
	}
	for i := range s.setups {
		s.setups[i].sealed = false
	}
	for _, g := range s.groups {
		g.ordinal = 0
	}
}
