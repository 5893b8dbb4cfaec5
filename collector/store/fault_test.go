package store

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/sys/unix"

	"tickover/model"
)

// sample store: sealed blocks of two groups, events, a setup, and a ring with
// unsealed rows, as it stands in the middle of work.
func workedStore(t testing.TB) (dir string, rows, events []string) {
	t.Helper()
	o := options(t.TempDir())
	o.Slots = 64
	s := mustOpen(t, o)
	if err := s.PutSetup(model.Instant{Boot: 1}, model.Setup{Simulated: true}); err != nil {
		t.Fatal(err)
	}
	for i := range 2500 {
		group := []string{"meter/1s", "adapter/1s"}[i%2]
		scan := scanAt(group, 1, time.Duration(i)*time.Second, model.GoodSample("v", float64(i*i%97)/10), model.GoodSample("x", float64(i)/7))
		scan.Samples[0].Lag = time.Duration(30+i%3) * time.Millisecond
		scan.Samples[1].Lag = scan.Samples[0].Lag
		var with []model.Event
		if i%100 == 0 {
			with = []model.Event{note(1, scan.At.Offset, strings.Repeat(fmt.Sprint(i, " "), 1+i/10))}
		}
		mustAppend(t, s, scan, with...)
	}
	if err := s.Flush(); err != nil {
		t.Fatal(err)
	}
	return copyStore(t, o.Dir), lines(t, s, model.Query{}), eventTexts(t, s, model.Query{})
}

// FuzzFlippedBits turns single bits all over both files. Whatever comes back
// must be what was kept, and whatever is missing must be told.
func FuzzFlippedBits(f *testing.F) {
	dir, rows, events := workedStore(f)
	work := f.TempDir()
	random := rand.New(rand.NewPCG(1, 2))
	for range 15 {
		f.Add(false, random.Uint32())
		f.Add(true, random.Uint32())
	}
	for page := range uint32(40) { // headings, where it hurts most
		f.Add(true, page*4096*8+random.Uint32N(80*8))
	}
	// The length of a key that is the second of two in its page: nothing
	// after it is out of place then.
	for page := range uint32(30) {
		f.Add(true, (page*4096+41)*8+2)
	}
	f.Fuzz(func(t *testing.T, data bool, bit uint32) {
		name := ringName
		if data {
			name = dataName
		}
		st, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		flipOne(t, dir, work, name, int(bit)%(int(st.Size())*8), rows, events)
	})
}

func flipOne(t *testing.T, dir, work, name string, bit int, rows, events []string) {
	t.Helper()
	clearDir(t, work)
	for _, file := range []string{dataName, ringName} {
		text, err := os.ReadFile(filepath.Join(dir, file))
		if err != nil {
			t.Fatal(err)
		}
		if file == name {
			text[bit/8] ^= 1 << (bit % 8)
		}
		if err := os.WriteFile(filepath.Join(work, file), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	where := fmt.Sprintf("%s byte %d bit %d", name, bit/8, bit%8)
	s, err := Open(options(work))
	if errors.Is(err, ErrNewer) {
		return // refused with a message, the files untouched
	}
	if err != nil {
		t.Fatalf("%s: open refuses: %v", where, err)
	}
	told := tellsOrSame(t, s, where, rows, events)
	f, _ := s.Verify(context.Background(), nil)
	if !told && f.Clean() {
		t.Fatalf("%s: something is missing and nothing says so: %v", where, s.Last())
	}
	if err := s.Append(scanAt("meter/1s", 1, time.Hour), nil); err != nil {
		t.Fatalf("%s: next append: %v", where, err)
	}
	if err := s.Close(); err != nil {
		t.Fatalf("%s: close: %v", where, err)
	}
}

func clearDir(t *testing.T, dir string) {
	t.Helper()
	found, err := os.ReadDir(dir)
	for _, f := range found {
		err = errors.Join(err, os.Remove(filepath.Join(dir, f.Name())))
	}
	if err != nil {
		t.Fatal(err)
	}
}

// tellsOrSame wants nothing that was not kept. It is true when all is there,
// or an error or an event says that not.
func tellsOrSame(t *testing.T, s *Store, where string, rows, events []string) bool {
	t.Helper()
	told, next, count := false, 0, 0
	for scan, err := range s.Scans(model.Query{}) {
		if err != nil {
			told = true
			continue
		}
		got := line(scan)
		for next < len(rows) && rows[next] != got {
			next++ // both are in order, so what is passed is missing
		}
		if next == len(rows) {
			t.Fatalf("%s: never kept, or not here: %s", where, got)
		}
		next++
		count++
	}
	kept := 0
	for e, err := range s.Events(model.Query{}) {
		switch {
		case err != nil || e.Kind == model.StoreEvent:
			told = true
		case !slices.Contains(events, fmt.Sprintf("%d %s %s", e.Seq, e.At, e.Text)):
			t.Fatalf("%s: event never kept: %d %s", where, e.Seq, e.At)
		default:
			kept++
		}
	}
	return told || count == len(rows) && kept == len(events)
}

// TestDamagedFile overwrites the data file's pages. The store must begin anew
// beside it with what the ring holds, and say so.
func TestDamagedFile(t *testing.T) {
	dir, rows, _ := workedStore(t)
	path := filepath.Join(dir, dataName)
	if err := os.WriteFile(path, []byte(strings.Repeat("damage", 5000)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(Options{Dir: dir, ReadOnly: true}); !errors.Is(err, ErrDamaged) {
		t.Fatal(err)
	}
	s := mustOpen(t, options(dir))
	got := lines(t, s, model.Query{})
	same(t, "from the ring", got, rows[len(rows)-len(got):])
	if len(got) < 5 {
		t.Fatalf("only %d rows from the ring", len(got))
	}
	told := eventTexts(t, s, model.Query{Newest: 1})
	if len(told) != 1 || !strings.Contains(told[0], "tickover.db.damaged-1") {
		t.Fatal(told)
	}
	if _, err := os.Stat(path + ".damaged-1"); err != nil {
		t.Fatal(err)
	}
}

func TestNewerFormat(t *testing.T) {
	dir, _, _ := workedStore(t)
	db, err := bolt.Open(filepath.Join(dir, dataName), 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bolt.Tx) error {
		return put(tx.Bucket(bucketMeta), keyFormat, []byte{0, 0, 0, format + 1})
	})
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	before, _ := os.ReadFile(filepath.Join(dir, dataName))
	for _, readOnly := range []bool{true, false} {
		o := options(dir)
		o.ReadOnly = readOnly
		if _, err := Open(o); !errors.Is(err, ErrNewer) {
			t.Fatal(err)
		}
	}
	after, _ := os.ReadFile(filepath.Join(dir, dataName))
	if !slices.Equal(before, after) {
		t.Fatal("the newer file was changed")
	}
}

// TestTornLastSlot cuts the newest slot short at every sector.
func TestTornLastSlot(t *testing.T) {
	dir, rows, _ := workedStore(t)
	r, err := openRing(filepath.Join(dir, ringName), 64, true, openFile)
	if err != nil {
		t.Fatal(err)
	}
	sv := r.survey()
	r.close()
	for cut := int64(0); cut < slotSize; cut += 512 {
		c := copyStore(t, dir)
		f, err := os.OpenFile(filepath.Join(c, ringName), os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		_, err = f.WriteAt(make([]byte, slotSize-cut), r.offset(sv.newest)+cut)
		if err := errors.Join(err, f.Close()); err != nil {
			t.Fatal(err)
		}
		s := mustOpen(t, options(c))
		got := lines(t, s, model.Query{})
		same(t, fmt.Sprint("cut at ", cut), got, rows[:len(got)])
		if len(rows)-len(got) > 6 {
			t.Fatalf("cut at %d lost %d rows", cut, len(rows)-len(got))
		}
	}
}

// flaky is a ring file whose writes or syncs fail when told.
type flaky struct {
	File
	write, sync *error
}

func (f flaky) WriteAt(b []byte, at int64) (int, error) {
	if *f.write != nil {
		n, _ := f.File.WriteAt(b[:len(b)/2], at)
		return n, *f.write
	}
	return f.File.WriteAt(b, at)
}

func (f flaky) Sync() error {
	if *f.sync != nil {
		return *f.sync
	}
	return f.File.Sync()
}

func TestRingFails(t *testing.T) {
	for _, fault := range []string{"write", "sync"} {
		var write, sync error
		o := options(t.TempDir())
		o.OpenRing = func(name string, flag int, perm os.FileMode) (File, error) {
			f, err := openFile(name, flag, perm)
			return flaky{f, &write, &sync}, err
		}
		s := mustOpen(t, o)
		want := fill(t, s, 1, 0, 20)
		if fault == "write" {
			write = unix.ENOSPC
		} else {
			sync = unix.EIO
		}
		failed := 0
		for i := 20; i < 40; i++ {
			scan := scanAt("meter/1s", 1, time.Duration(i)*time.Second, model.GoodSample("v", 1), model.GoodSample("t", 2))
			if err := s.Append(scan, []model.Event{note(1, scan.At.Offset, "x")}); err != nil {
				failed++
			}
			want = append(want, line(scan))
		}
		if failed != 20 || !strings.Contains(s.Health().Degraded, "ring") || s.Health().Lost != 0 {
			t.Fatalf("%d failed, %+v", failed, s.Health())
		}
		same(t, "from memory", lines(t, s, model.Query{}), want)
		write, sync = nil, nil
		want = append(want, fill(t, s, 1, 40, 6)...)
		if h := s.Health(); h.Degraded != "" {
			t.Fatal(h.Degraded)
		}
		r := mustOpen(t, options(copyStore(t, o.Dir)))
		got := lines(t, r, model.Query{})
		same(t, "on disk", got, want[:len(got)])
		if len(got) < 41 || len(eventTexts(t, r, model.Query{})) != 20 {
			t.Fatalf("%d rows on disk", len(got))
		}
	}
}
