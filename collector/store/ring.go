package store

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"slices"
)

const (
	slotSize    = 4096
	slotHeader  = 32
	slotRoom    = slotSize - slotHeader
	slotMagic   = "TkSl"
	slotVersion = 2
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// ring is a file of slots, written round and round. Each slot is written
// whole, and only again a lap later, so that a torn write hurts nothing that
// was there before.
type ring struct {
	path  string
	open  Opener
	file  File // of the job's while one is under way
	slots uint64
	next  uint64 // sequence number of the next slot, from 1
	job   *job   // a write that took too long; nil when there is none
	done  func() // to be called when that ended well
	wake  func() // called when a job ended
}

// slot is one valid slot as read.
type slot struct {
	seq     uint64
	first   uint64 // sequence number of the batch's first slot
	count   uint64 // slots of the batch
	payload []byte
}

// openRing opens the file, or makes it with every byte written, because a
// write into a hole would need the file system's journal each time.
func openRing(path string, slots int, readOnly bool, open Opener) (*ring, error) {
	r := &ring{path: path, open: open, slots: uint64(slots), next: 1, wake: func() {}}
	if readOnly {
		if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
			return r, nil // a copy that nobody has written to yet
		}
		return r, r.openAsIs(os.O_RDONLY)
	}
	if err := r.create(); err != nil {
		return nil, err
	}
	return r, r.openAsIs(os.O_RDWR)
}

// openAsIs opens the file and takes its size for the ring's.
func (r *ring) openAsIs(flag int) error {
	slots, err := r.reopen(flag)
	if err == nil {
		r.slots = slots
	}
	return err
}

// reopen opens the file and returns how many slots it has.
func (r *ring) reopen(flag int) (slots uint64, err error) {
	file, err := r.open(r.path, flag, 0o600)
	if err != nil {
		return 0, fmt.Errorf("open ring: %w", err)
	}
	size, err := file.Size()
	if err == nil && size < slotSize {
		err = errors.New("ring file too short")
	}
	if err != nil {
		file.Close()
		return 0, fmt.Errorf("open ring: %w", err)
	}
	r.file = file
	return uint64(size / slotSize), nil
}

// create makes the file under another name first: what bears the ring's name
// is always whole.
func (r *ring) create() error {
	if st, err := os.Stat(r.path); err == nil && st.Size() >= slotSize {
		return nil
	}
	fresh := r.path + ".new"
	file, err := r.open(fresh, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("make ring: %w", err)
	}
	zero := make([]byte, 64*slotSize)
	for at := int64(0); at < int64(r.slots)*slotSize && err == nil; at += int64(len(zero)) {
		zero = zero[:min(int64(len(zero)), int64(r.slots)*slotSize-at)]
		_, err = file.WriteAt(zero, at)
	}
	err = errors.Join(err, file.Sync(), file.Close())
	if err == nil {
		err = os.Rename(fresh, r.path)
	}
	if err != nil {
		return fmt.Errorf("make ring: %w", errors.Join(err, os.Remove(fresh)))
	}
	return syncDir(filepath.Dir(r.path))
}

// close lets the file go, unless a write is under way that hangs.
func (r *ring) close() error {
	if r.file == nil || r.job != nil && r.job.running() {
		return nil
	}
	err := r.file.Close()
	r.file = nil
	return err
}

// slotsFor returns how many slots a payload takes.
func slotsFor(payload int) uint64 { return uint64(max((payload+slotRoom-1)/slotRoom, 1)) }

// write puts a payload into the next slots, syncs once and calls done. It
// returns errSlow when that takes too long; the write then goes on, and a later
// settle finds its outcome. On an error nothing is promised about these slots;
// the next write takes fresh ones, in a file opened again, since a kernel may
// forget what it failed to write.
func (r *ring) write(payload []byte, done func()) error {
	if err := r.settle(); err != nil {
		return err
	}
	first, count := r.next, slotsFor(len(payload))
	if count > r.slots {
		return fmt.Errorf("write ring: %d bytes do not fit", len(payload))
	}
	r.next += count
	j := begin(r.wake, func() error { return r.put(first, count, payload) })
	if !j.within(slow) {
		r.job, r.done = j, done
		return errSlow
	}
	if j.err == nil {
		done()
	}
	return j.err
}

// settle finds out what became of a write that took too long.
func (r *ring) settle() error {
	if r.job == nil {
		return nil
	}
	if r.job.running() {
		return errSlow
	}
	err, done := r.job.err, r.done
	r.job, r.done = nil, nil
	if err == nil {
		done()
	}
	return nil // what was not written is written again
}

func (r *ring) put(first, count uint64, payload []byte) (err error) {
	if r.file == nil {
		slots, err := r.reopen(os.O_RDWR)
		if err == nil && slots != r.slots {
			err = errors.Join(errRingChanged, r.close())
		}
		if err != nil {
			return err
		}
	}
	for i := range count {
		part := payload[i*slotRoom : min((i+1)*slotRoom, uint64(len(payload)))]
		if _, err = r.file.WriteAt(encodeSlot(slot{first + i, first, count, part}), r.offset(first+i)); err != nil {
			break
		}
	}
	if err == nil {
		err = r.file.Sync()
	}
	if err != nil {
		return fmt.Errorf("write ring: %w", errors.Join(err, r.close()))
	}
	return nil
}

// errRingChanged is returned when the ring's file has another size than before.
var errRingChanged = errors.New("the ring's file has another size than before")

// blank writes zeros over the broken slots of an unfinished write: the next
// batch may go past them, and they would look like damage for a lap.
func (r *ring) blank(sv survey, sealed uint64) error {
	if r.file == nil {
		return nil
	}
	var err error
	for _, i := range sv.unfinished(sealed, r.slots) {
		if err == nil && slices.Contains(sv.broken, i) {
			_, err = r.file.WriteAt(make([]byte, slotSize), int64(i)*slotSize)
		}
	}
	return err // the next batch's flush is early enough: nothing depends on these
}

func (r *ring) offset(seq uint64) int64 { return int64(seq%r.slots) * slotSize }

func encodeSlot(s slot) []byte {
	b := make([]byte, slotSize)
	copy(b, slotMagic)
	b[4] = slotVersion
	binary.LittleEndian.PutUint16(b[6:], uint16(len(s.payload)))
	binary.LittleEndian.PutUint64(b[8:], s.seq)
	binary.LittleEndian.PutUint64(b[16:], s.first)
	binary.LittleEndian.PutUint32(b[24:], uint32(s.count))
	copy(b[slotHeader:], s.payload)
	binary.LittleEndian.PutUint32(b[28:], slotSum(b))
	return b
}

// slotSum covers the whole slot but the sum itself, bytes 28 to 31.
func slotSum(b []byte) uint32 {
	sum := crc32.Update(0, castagnoli, b[:28])
	return crc32.Update(sum, castagnoli, b[slotHeader:])
}

// decodeSlot reads a slot; false when it is not a whole one.
func decodeSlot(b []byte) (slot, bool) {
	length := int(binary.LittleEndian.Uint16(b[6:]))
	if string(b[:4]) != slotMagic || length > slotRoom || slotSum(b) != binary.LittleEndian.Uint32(b[28:]) {
		return slot{}, false
	}
	s := slot{seq: binary.LittleEndian.Uint64(b[8:]), first: binary.LittleEndian.Uint64(b[16:]),
		count: uint64(binary.LittleEndian.Uint32(b[24:])), payload: bytes.Clone(b[slotHeader : slotHeader+length])}
	return s, s.seq >= s.first && s.seq-s.first < s.count
}

// survey is what reading the whole ring found.
type survey struct {
	slots   map[uint64]slot // valid slots by sequence number
	newest  uint64
	broken  []uint64 // positions that hold neither a whole slot nor zeros
	version byte     // the highest version of a whole slot
}

// survey reads the whole ring and changes nothing. A slot that can't be read is
// broken.
func (r *ring) survey() survey {
	sv := survey{slots: map[uint64]slot{}}
	if r.file == nil {
		return sv
	}
	b := make([]byte, slotSize)
	for i := range r.slots {
		if _, err := r.file.ReadAt(b, int64(i)*slotSize); err != nil && !errors.Is(err, io.EOF) {
			sv.broken = append(sv.broken, i)
			continue
		}
		s, ok := decodeSlot(b)
		if !ok || s.seq%r.slots != i {
			if len(bytes.Trim(b, "\x00")) > 0 {
				sv.broken = append(sv.broken, i)
			}
			continue
		}
		sv.slots[s.seq] = s
		sv.newest = max(sv.newest, s.seq)
		sv.version = max(sv.version, b[4])
	}
	return sv
}

// batches returns the payloads of whole batches newer than sealed, in order,
// and the sequence numbers newer than sealed that should be there and aren't.
// Those of the newest batch are an unfinished write's, of which nothing was
// promised.
func (sv survey) batches(sealed, slots uint64) (payloads [][]byte, missing []uint64) {
	oldest := sealed + 1
	if sv.newest >= slots {
		oldest = max(oldest, sv.newest-slots+1)
	}
	for seq := oldest; seq < sv.slots[sv.newest].first; seq++ {
		if _, ok := sv.slots[seq]; !ok {
			missing = append(missing, seq)
		}
	}
	live := []slot{}
	for _, s := range sv.slots {
		if s.seq == s.first && s.seq+s.count-1 > sealed {
			live = append(live, s)
		}
	}
	slices.SortFunc(live, func(a, b slot) int { return cmp.Compare(a.seq, b.seq) })
	for _, s := range live {
		if p, ok := sv.join(s); ok {
			payloads = append(payloads, p)
		}
	}
	return payloads, missing
}

// unfinished returns the positions of the write that a cut of power left: the
// newest batch when slots of it are not whole, and broken slots where the next
// batch would have gone.
func (sv survey) unfinished(sealed, slots uint64) (positions []uint64) {
	next := max(sv.newest, sealed) + 1
	if last, ok := sv.slots[sv.newest]; ok {
		if first, ok := sv.slots[last.first]; !ok || !sv.whole(first) {
			for seq := last.first; seq < last.first+last.count && seq-last.first < slots; seq++ {
				positions = append(positions, seq%slots)
			}
			next = last.first + last.count
		}
	}
	for len(positions) < int(slots) && slices.Contains(sv.broken, next%slots) {
		positions, next = append(positions, next%slots), next+1
	}
	return positions
}

func (sv survey) whole(first slot) bool {
	_, ok := sv.join(first)
	return ok
}

func (sv survey) join(first slot) ([]byte, bool) {
	payload := first.payload
	for i := uint64(1); i < first.count; i++ {
		s, ok := sv.slots[first.seq+i]
		if !ok || s.first != first.first || s.count != first.count {
			return nil, false
		}
		payload = append(payload, s.payload...)
	}
	return payload, true
}
