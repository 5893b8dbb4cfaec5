package store

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/sys/unix"

	"tickover/model"
)

// dyingFile opens the data file as it should be, so that nothing can be
// written to it, or not at all.
type dyingFile struct{ unwritable, gone bool }

func (d *dyingFile) open(name string, flag int, perm os.FileMode) (*os.File, error) {
	switch {
	case d.gone:
		return nil, &os.PathError{Op: "open", Path: name, Err: unix.EIO}
	case d.unwritable:
		flag = os.O_RDONLY
	}
	return os.OpenFile(name, flag, perm)
}

// dyingStore has two sealed blocks and a data file that takes nothing more.
func dyingStore(t *testing.T, slots int) (s *Store, o Options, d *dyingFile, want []string) {
	d = &dyingFile{}
	o = options(t.TempDir())
	o.Slots, o.OpenData = slots, d.open
	s = mustOpen(t, o)
	want = fill(t, s, 1, 0, 1190)
	d.unwritable = true
	if err := s.data.reopen(); err != nil {
		t.Fatal(err)
	}
	return s, o, d, want
}

// tryFill is fill for a store that may not be able to keep what it is given.
func tryFill(s *Store, from, n int) (want []string, failed int) {
	for i := from; i < from+n; i++ {
		scan := scanAt("meter/1s", 1, time.Duration(i)*time.Second, model.GoodSample("v", float64(i%31)), model.GoodSample("t", 290))
		if s.Append(scan, nil) != nil {
			failed++
		}
		want = append(want, line(scan))
	}
	return want, failed
}

// TestDataFileDies takes the data file away while logging goes on: the newest
// rows and all events stay readable and on the card, and once it is back so
// does everything else, by itself.
func TestDataFileDies(t *testing.T) {
	s, o, d, want := dyingStore(t, 1000)
	more, failed := tryFill(s, 1190, 20)
	want = append(want, more...)
	if failed != 3 || !strings.Contains(s.Health().Degraded, "data file") {
		t.Fatalf("%d calls failed, %q", failed, s.Health().Degraded)
	}
	d.gone = true // what is written next is found out of reach altogether
	more, failed = tryFill(s, 1210, 600)
	want = append(want, more...)
	if failed < 70 || failed > 80 {
		t.Fatalf("%d calls failed in 600 s, it was to be tried every 8 s", failed)
	}
	if err := s.AppendEvents([]model.Event{note(1, 1810*time.Second, "seen")}); err != nil {
		t.Fatal(err)
	}
	got, told := 0, 0
	for _, err := range s.Scans(model.Query{}) {
		if err != nil {
			if told++; !errors.Is(err, errNotOpen) {
				t.Fatal(err)
			}
			continue
		}
		got++
	}
	if told != 1 || got != 1210+600-600 {
		t.Fatalf("%d rows and %d errors without the data file", got, told)
	}
	cut := mustOpen(t, options(copyStore(t, o.Dir)))
	same(t, "after a cut of power", lines(t, cut, model.Query{})[:1805], want[:1805])
	*d = dyingFile{}
	want = append(want, fill(t, s, 1, 1930, 30)...)
	if h := s.Health(); h.Degraded != "" || h.Lost != 0 {
		t.Fatalf("%+v", h)
	}
	same(t, "back again", lines(t, s, model.Query{}), want)
	same(t, "events", eventTexts(t, s, model.Query{}), []string{"1 1+30m10s seen"})
	mustClose(t, s)
	mustBeClean(t, o.Dir)
}

// TestCommitThatReachedTheCard has a commit succeed of which the store was told
// that it failed, and more rows come before it finds out.
func TestCommitThatReachedTheCard(t *testing.T) {
	for _, reached := range []bool{true, false} {
		o := options(t.TempDir())
		s := mustOpen(t, o)
		want := fill(t, s, 1, 0, 900)
		if err := s.AppendEvents([]model.Event{note(1, 900*time.Second, "one")}); err != nil {
			t.Fatal(err)
		}
		s.writing.Lock()
		u := s.unsealed(everything)
		open := &doubt{done: func() { s.sealedAll(u) }}
		err := s.data.try(func(tx *bolt.Tx) error {
			open.id = tx.ID()
			if err := s.write(tx, u); err != nil || reached {
				return err
			}
			return errNotOpen
		})
		if reached != (err == nil) {
			t.Fatal(err)
		}
		s.data.doubt = open
		s.writing.Unlock()
		want = append(want, fill(t, s, 1, 900, 100)...)
		if err := s.AppendEvents([]model.Event{note(1, 1000*time.Second, "two")}); err != nil {
			t.Fatal(err)
		}
		want = append(want, fill(t, s, 1, 1000, 300)...)
		what := fmt.Sprintf("reached %v: ", reached)
		same(t, what+"rows", lines(t, s, model.Query{}), want)
		same(t, what+"events", eventTexts(t, s, model.Query{}), []string{"1 1+15m0s one", "2 1+16m40s two"})
		if m, _ := minuteLines(t, s, model.Query{}); len(m) != 2*22 {
			t.Fatalf("%d minutes of two points", len(m))
		}
		mustClose(t, s)
		mustBeClean(t, o.Dir)
		s = mustOpen(t, o)
		same(t, what+"reopened", lines(t, s, model.Query{}), want)
	}
}

// TestEventsFirst fills the ring while the data file takes nothing. When not
// all has room, every event must be on the card, and the newest rows.
func TestEventsFirst(t *testing.T) {
	s, o, d, want := dyingStore(t, 16)
	text := strings.Repeat("word ", 100)
	var cells []model.Sample
	for i := 1190; i < 2300; i++ {
		cells = cells[:0]
		for c := range 16 {
			cells = append(cells, model.GoodSample(model.PointID(fmt.Sprint("p", c)), float64((i+c)*(i+c)*7919%9973)))
		}
		scan := scanAt("wide/1s", 1, time.Duration(i)*time.Second, cells...)
		var events []model.Event
		if i%150 == 0 {
			events = []model.Event{note(1, scan.At.Offset, text)}
		}
		_ = s.Append(scan, events)
		want = append(want, line(scan))
	}
	if h := s.Health(); h.Lost != 0 || !strings.Contains(h.Degraded, errRingFull.Error()) {
		t.Fatalf("%+v", h)
	}
	same(t, "in memory", lines(t, s, model.Query{}), want)
	cut := mustOpen(t, options(copyStore(t, o.Dir)))
	kept := 0
	for _, e := range eventTexts(t, cut, model.Query{}) {
		if strings.Contains(e, text) {
			kept++
		}
	}
	got := lines(t, cut, model.Query{From: model.Instant{Boot: 1, Offset: 2200 * time.Second}})
	if kept != 8 || len(got) < 90 {
		t.Fatalf("a cut of power leaves %d events of 8 and %d of the newest 100 rows", kept, len(got))
	}
	*d = dyingFile{}
	if err := s.data.reopen(); err != nil {
		t.Fatal(err)
	}
	want = append(want, fill(t, s, 1, 2430, 100)...)
	if h := s.Health(); h.Degraded != "" || h.Lost != 0 {
		t.Fatalf("%+v", h)
	}
	mustClose(t, s)
	mustBeClean(t, o.Dir)
	s = mustOpen(t, o)
	same(t, "all of it in the end", lines(t, s, model.Query{}), want)
}
