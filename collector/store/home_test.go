package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// running has the store's writer run until the test ends it.
func running(t *testing.T, s *Store) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { s.Run(ctx); close(done) }()
	within(t, time.Second, "the writer runs", s.running.Load)
	return func() { cancel(); <-done }
}

// within waits in real time for something that has to come.
func within(t *testing.T, d time.Duration, what string, there func() bool) {
	t.Helper()
	for began := time.Now(); !there(); time.Sleep(20 * time.Millisecond) {
		if time.Since(began) > d {
			t.Fatalf("%s: not within %s", what, d)
		}
	}
}

// TestNoStartWithoutAWatch opens folders that can't be used in each way there
// is. The store works from memory, says why, and takes the folder as soon as it
// can be used; what was on the card before comes first.
func TestNoStartWithoutAWatch(t *testing.T) {
	refuse := func(string, int, os.FileMode) (*os.File, error) { return nil, os.ErrPermission }
	for name, spoil := range map[string]func(t *testing.T, dir string, o *Options) (mend func()){
		"a file in the folder's place": func(t *testing.T, dir string, _ *Options) func() {
			if err := errors.Join(os.Rename(dir, dir+".away"), os.WriteFile(dir, nil, 0o600)); err != nil {
				t.Fatal(err)
			}
			return func() { os.Remove(dir); os.Rename(dir+".away", dir) }
		},
		"a ring that is a folder": func(t *testing.T, dir string, _ *Options) func() {
			ring := filepath.Join(dir, ringName)
			if err := errors.Join(os.Rename(ring, ring+".away"), os.Mkdir(ring, 0o700)); err != nil {
				t.Fatal(err)
			}
			return func() { os.Remove(ring); os.Rename(ring+".away", ring) }
		},
		"a data file that may not be opened": func(t *testing.T, _ string, o *Options) func() {
			refused := true
			o.OpenData = func(name string, flag int, perm os.FileMode) (*os.File, error) {
				if refused {
					return refuse(name, flag, perm)
				}
				return os.OpenFile(name, flag, perm)
			}
			return func() { refused = false }
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := options(filepath.Join(t.TempDir(), "state"))
			s := mustOpen(t, o)
			want := fill(t, s, 1, 0, 700)
			if err := s.AppendEvents([]model.Event{note(1, 700*time.Second, "before")}); err != nil {
				t.Fatal(err)
			}
			mustClose(t, s)
			o.KeepTrying = true
			mend := spoil(t, o.Dir, &o)
			s = mustOpen(t, o)
			stop := running(t, s)
			if s.Health().Degraded == "" {
				t.Fatal("a store that works from memory does not say so")
			}
			boot := s.Boot()
			for i := range 50 {
				scan := scanAt("meter/1s", boot, time.Duration(i)*time.Second, model.GoodSample("v", float64(i)), model.GoodSample("t", 290))
				if err := s.Hand(scan, nil); err != nil {
					t.Fatal(err)
				}
				want = append(want, line(scan))
			}
			kept := s.HandEvents([]model.Event{note(boot, 50*time.Second, "meanwhile")})
			if err := kept(t.Context()); !errors.Is(err, ErrNotKept) {
				t.Fatalf("an event without a card is answered with %v", err)
			}
			mend()
			within(t, 10*time.Second, "the folder is taken again", func() bool { return s.Health().Degraded == "" && s.Health().Pending == 0 })
			same(t, "rows", lines(t, s, model.Query{}), want)
			stop()
			mustClose(t, s)
			mustBeClean(t, o.Dir)
			s = mustOpen(t, options(o.Dir))
			same(t, "rows after a restart", lines(t, s, model.Query{}), want)
			got := strings.Join(eventTexts(t, s, model.Query{}), "\n")
			if !strings.Contains(got, "before") || !strings.Contains(got, "meanwhile") || s.Boot() != boot {
				t.Fatalf("boot %d of %d, events\n%s", s.Boot(), boot, got)
			}
		})
	}
}

// TestAnotherDaemonOrANewerStoreRefuses: someone else keeps watch then.
func TestAnotherDaemonOrANewerStoreRefuses(t *testing.T) {
	o := options(t.TempDir())
	mustOpen(t, o)
	o.KeepTrying = true
	if _, err := Open(o); !errors.Is(err, ErrLocked) {
		t.Fatal(err)
	}
}

// TestTheBootClockGoesBack lets the clock begin again under the same boot
// identity, at a start and while running: nothing is refused, the order of what
// was kept is that in which it came, and it is said.
func TestTheBootClockGoesBack(t *testing.T) {
	o := options(t.TempDir())
	up := 2000 * time.Second
	o.Uptime = func() time.Duration { return up }
	s := mustOpen(t, o)
	want := fill(t, s, 1, 1990, 5)
	mustClose(t, s)
	up = 10 * time.Second
	s = mustOpen(t, o)
	if s.Boot() != 2 {
		t.Fatalf("the boot is %d", s.Boot())
	}
	want = append(want, fill(t, s, 2, 10, 20)...)
	for _, l := range fill(t, s, 2, 3, 4) { // while running
		want = append(want, strings.Replace(l, "meter/1s 2 ", "meter/1s 3 ", 1))
	}
	got := lines(t, s, model.Query{})
	same(t, "rows", got, want)
	if told := strings.Join(eventTexts(t, s, model.Query{}), "\n"); strings.Count(told, "boot clock went back") != 2 {
		t.Fatal(told)
	}
}

// TestTwoRoundsInOneMillisecond are both kept.
func TestTwoRoundsInOneMillisecond(t *testing.T) {
	s := mustOpen(t, options(t.TempDir()))
	for i := range 3 {
		at := 5*time.Second - time.Duration(i)*100*time.Microsecond
		mustAppend(t, s, scanAt("meter/1s", 1, at, model.GoodSample("v", float64(i))))
	}
	if got := lines(t, s, model.Query{}); len(got) != 3 {
		t.Fatal(got)
	}
}

// TestATransactionThatMetAFaultHoldsNothing leaves a transaction open for good,
// as a fault in the middle of it does: the file is opened again without it.
func TestATransactionThatMetAFaultHoldsNothing(t *testing.T) {
	s := mustOpen(t, options(t.TempDir()))
	fill(t, s, 1, 0, 700)
	if _, err := s.data.open.Load().db.Begin(true); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	if err := s.data.reopen(); err != nil || time.Since(began) > 2*slow {
		t.Fatalf("opened again after %s: %v", time.Since(began), err)
	}
	fill(t, s, 1, 700, 700)
	if h := s.Health(); h.Degraded != "" {
		t.Fatal(h.Degraded)
	}
}

// TestADataFileThatHangsLeavesTheRing has a commit to the data file hang while
// the ring works: events are on the card all the same, and once the commit ends
// its outcome counts.
func TestADataFileThatHangsLeavesTheRing(t *testing.T) {
	o := options(t.TempDir())
	s := mustOpen(t, o)
	want := fill(t, s, 1, 0, 595)
	stop := running(t, s)
	tx, err := s.data.open.Load().db.Begin(true) // whoever commits waits for it
	if err != nil {
		t.Fatal(err)
	}
	hand := func(from, n int) {
		for i := from; i < from+n; i++ {
			scan := scanAt("meter/1s", 1, time.Duration(i)*time.Second, model.GoodSample("v", float64(i%31)), model.GoodSample("t", 290))
			began := time.Now()
			if err := s.Hand(scan, nil); err != nil || time.Since(began) > 100*time.Millisecond {
				t.Fatalf("handing over took %s: %v", time.Since(began), err)
			}
			want = append(want, line(scan))
		}
	}
	hand(595, 10)
	within(t, 5*time.Second, "degraded", func() bool { return strings.Contains(s.Health().Degraded, errSlow.Error()) })
	began := time.Now()
	if err := s.HandEvents([]model.Event{note(1, 605*time.Second, "seen")})(t.Context()); err != nil || time.Since(began) > 2*slow {
		t.Fatalf("an event is kept after %s: %v", time.Since(began), err)
	}
	cut := mustOpen(t, options(copyStore(t, o.Dir)))
	if got := fmt.Sprint(eventTexts(t, cut, model.Query{})); !strings.Contains(got, "seen") {
		t.Fatal(got)
	}
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	hand(605, 20)
	within(t, 10*time.Second, "well again", func() bool { return s.Health().Degraded == "" })
	stop()
	same(t, "rows", lines(t, s, model.Query{}), want)
}
