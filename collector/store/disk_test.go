//go:build disk

package store

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"tickover/model"
)

// These tests mount file systems of their own and so need root:
//
//	go test -tags disk -run 'DiskFull|ImageCuts' ./collector/store
//	go test -tags disk -run ImageCuts -v ./collector/store -cuts 100

var imageCuts = flag.Int("cuts", 10, "images to cut off while they are written")

// mustRun runs a program that has to succeed.
func mustRun(t *testing.T, program string, args ...string) {
	t.Helper()
	if out, err := exec.Command(program, args...).CombinedOutput(); err != nil {
		t.Fatalf("%s %s: %v\n%s(this test mounts file systems: run it as root)", program, strings.Join(args, " "), err, out)
	}
}

// mounted mounts something on a folder of its own until the test ends.
func mounted(t *testing.T, args ...string) (dir string, unmount func()) {
	t.Helper()
	dir = t.TempDir()
	mustRun(t, "mount", append(args, dir)...)
	up := true
	unmount = func() {
		if up {
			up = false
			mustRun(t, "umount", dir)
		}
	}
	t.Cleanup(unmount)
	return dir, unmount
}

// image makes a file with a file system in it.
func image(t *testing.T, path, kind, size string) string {
	t.Helper()
	mustRun(t, "truncate", "-s", size, path)
	mustRun(t, "mkfs."+kind, "-q", path)
	return path
}

// wideScan is row i of a sequence that needs room: no guess of it fits.
func wideScan(i int) *model.Scan {
	var cells []model.Sample
	for c := range 12 {
		cells = append(cells, model.GoodSample(model.PointID(fmt.Sprint("p", c)), float64((i+c)*(i+c)*7919%99991)/7))
	}
	return scanAt("wide/1s", 1, time.Duration(i)*time.Second, cells...)
}

// isSequence wants rows 0 to n-1 of the sequence.
func isSequence(t *testing.T, what string, s *Store, least int) {
	t.Helper()
	got := lines(t, s, model.Query{})
	for i, g := range got {
		if want := line(wideScan(i)); g != want {
			t.Fatalf("%s: row %d of %d\n got %s\nwant %s", what, i, len(got), g, want)
		}
	}
	if len(got) < least {
		t.Fatalf("%s: %d rows, at least %d were to be there", what, len(got), least)
	}
}

// TestDiskFull fills a real file system to the last byte while logging goes
// on, and makes room again half an hour later.
func TestDiskFull(t *testing.T) {
	for _, kind := range []string{"tmpfs", "ext4"} {
		t.Run(kind, func(t *testing.T) {
			args := []string{"-t", "tmpfs", "-o", "size=16m", "none"}
			if kind != "tmpfs" {
				args = []string{"-o", "loop", image(t, filepath.Join(t.TempDir(), "card"), kind, "24M")}
			}
			dir, unmount := mounted(t, args...)
			fillTheDisk(t, dir)
			unmount()
		})
	}
}

func fillTheDisk(t *testing.T, dir string) {
	o := options(filepath.Join(dir, "state"))
	o.Slots = 1024
	s := mustOpen(t, o)
	i := 0
	log := func(seconds int) (failed int) {
		for range seconds {
			var events []model.Event
			if i%60 == 0 {
				events = []model.Event{note(1, time.Duration(i)*time.Second, fmt.Sprint("event ", i))}
			}
			if s.Append(wideScan(i), events) != nil {
				failed++
			}
			i++
		}
		return failed
	}
	if failed := log(1000); failed > 0 {
		t.Fatalf("%d calls failed with room on the disk", failed)
	}
	ballast := takeAllRoom(t, filepath.Join(dir, "ballast"))
	for h := 0; s.Health().Degraded == ""; h++ { // the room that the file has kept ready
		if log(600); h > 24 {
			t.Fatal("a full disk is not noticed")
		}
	}
	log(1800)
	h := s.Health()
	if !strings.Contains(h.Degraded, unix.ENOSPC.Error()) || h.Lost != 0 || h.SyncedSeq != h.Events {
		t.Fatalf("on the full disk: %+v", h)
	}
	isSequence(t, "on the full disk", s, i)
	cut := mustOpen(t, options(copyStore(t, o.Dir)))
	isSequence(t, "a cut of power on the full disk", cut, i-5)
	if n := len(eventTexts(t, cut, model.Query{})); n != int(h.Events) {
		t.Fatalf("%d of %d events after a cut of power on the full disk", n, h.Events)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	log(150)
	if h := s.Health(); h.Degraded != "" || h.Lost != 0 {
		t.Fatalf("with room again: %+v", h)
	}
	mustClose(t, s)
	mustBeClean(t, o.Dir)
	s = mustOpen(t, o)
	isSequence(t, "in the end", s, i)
	mustClose(t, s)
	t.Logf("%d rows and %d events, none lost", i, h.Events)
}

// takeAllRoom writes until there is no room left.
func takeAllRoom(t *testing.T, path string) string {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for size := 1 << 16; size > 0; {
		if _, err := f.Write(make([]byte, size)); err != nil {
			if !errors.Is(err, unix.ENOSPC) {
				t.Fatal(err)
			}
			size /= 2
		}
	}
	if err := f.Sync(); err != nil && !errors.Is(err, unix.ENOSPC) {
		t.Fatal(err)
	}
	return path
}

// TestImageCuts logs on an ext4 in an image and copies the image by reflink
// again and again, which is what a cut of power leaves. Each copy is mounted:
// every acknowledged event must be there, every row but those of the tail, and
// the check clean.
func TestImageCuts(t *testing.T) {
	outer, _ := mounted(t, "-o", "loop", image(t, filepath.Join(t.TempDir(), "outer"), "xfs", "600M"))
	card := image(t, filepath.Join(outer, "card"), "ext4", "48M")
	dir, unmount := mounted(t, "-o", "loop", card)
	o := options(filepath.Join(dir, "state"))
	s := mustOpen(t, o)
	w := &writer{store: s, stop: make(chan struct{}), stopped: make(chan error)}
	go w.run()
	stop := sync.OnceValue(func() error { close(w.stop); return <-w.stopped })
	t.Cleanup(func() { stop() })
	most := int64(0)
	for n := range *imageCuts {
		for w.rows.Load() < int64(700+131*n) { // each cut at another place between two sealings
			w.limit.Store(int64(700 + 131*n))
			time.Sleep(time.Millisecond)
		}
		rows, events := w.rows.Load(), w.events.Load()
		w.limit.Store(rows + 500) // it writes on while the image is copied
		cut := filepath.Join(outer, "cut")
		mustRun(t, "cp", "--reflink=always", card, cut)
		most = max(most, openCut(t, n, cut, rows, events))
		if err := os.Remove(cut); err != nil {
			t.Fatal(err)
		}
	}
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	mustClose(t, s)
	unmount()
	t.Logf("%d cuts among %d rows and %d events: no event lost, at most %d rows", *imageCuts, w.rows.Load(), w.events.Load(), most)
}

// writer keeps the sequence, up to a limit that rises.
type writer struct {
	store               *Store
	stop                chan struct{}
	stopped             chan error
	rows, events, limit atomic.Int64 // rows and events are those acknowledged
}

func (w *writer) run() {
	for i := 0; ; i++ {
		for int64(i) >= w.limit.Load() {
			select {
			case <-w.stop:
				w.stopped <- nil
				return
			case <-time.After(time.Millisecond):
			}
		}
		var with []model.Event
		if i%37 == 0 {
			with = []model.Event{note(1, time.Duration(i)*time.Second, fmt.Sprint("event ", i))}
		}
		if err := w.store.Append(wideScan(i), with); err != nil {
			<-w.stop
			w.stopped <- err
			return
		}
		w.rows.Store(int64(i + 1))
		w.events.Add(int64(len(with)))
	}
}

// openCut mounts a copy of the image and returns how many rows it lacks.
func openCut(t *testing.T, n int, cut string, rows, events int64) int64 {
	t.Helper()
	dir, unmount := mounted(t, "-o", "loop", cut)
	defer unmount()
	s, err := Open(options(filepath.Join(dir, "state")))
	if err != nil {
		t.Fatalf("cut %d: %v", n, err)
	}
	defer s.release()
	what := fmt.Sprintf("cut %d at row %d", n, rows)
	isSequence(t, what, s, int(rows)-5)
	kept := int64(0)
	for e, err := range s.Events(model.Query{}) {
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if e.Kind == model.NoteEvent {
			kept++
		}
	}
	f, err := s.Verify(context.Background(), nil)
	if kept < events || err != nil || !f.Clean() {
		t.Fatalf("%s: %d of %d events, %v, %v", what, kept, events, err, f.Problems)
	}
	missing := max(rows-int64(len(lines(t, s, model.Query{}))), 0)
	if err := s.Close(); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	return missing
}
