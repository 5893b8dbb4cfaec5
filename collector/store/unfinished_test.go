package store

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// What a cut of power leaves of the write under way is no damage; the same
// bytes anywhere else are.
func TestVerifyCallsAnUnfinishedWriteNoDamage(t *testing.T) {
	t.Parallel()
	o := options(t.TempDir())
	o.Slots = 64
	s := mustOpen(t, o)
	mustAppend(t, s, scanAt("meter/1s", 1, 0, model.GoodSample("v", 1)), note(1, 0, "kept"))
	long := strings.Repeat("a long note of the kind that takes several slots ", 300)
	mustAppend(t, s, scanAt("meter/1s", 1, time.Second, model.GoodSample("v", 2)), note(1, time.Second, long))
	last := s.ring.next - 1 // the last slot of a batch of several
	sv := s.ring.survey()
	first := sv.slots[last].first
	if last-first < 2 {
		t.Fatalf("the batch takes slots %d to %d", first, last)
	}
	mustClose(t, s) // seals, so that the slots are not needed any more
	path := filepath.Join(o.Dir, ringName)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	after := s.ring.next
	part := func(b []byte, slot uint64, n int) { copy(b[slot%64*slotSize:][:n], bytes.Repeat([]byte{0xa5}, n)) }
	for _, c := range []struct {
		name       string
		change     func(b []byte)
		unfinished int
		problems   int
	}{
		{"nothing", func([]byte) {}, 0, 0},
		{"the next slot", func(b []byte) { part(b, after, 512) }, 1, 0},
		{"the next three", func(b []byte) { part(b, after, 512); part(b, after+1, 4096); part(b, after+2, 512) }, 3, 0},
		{"one that was not next", func(b []byte) { part(b, after+3, 512) }, 0, 1},
		{"one that was whole long ago", func(b []byte) { part(b, 1, 512) }, 0, 1},
		{"both", func(b []byte) { part(b, after, 512); part(b, 1, 512) }, 1, 1},
	} {
		b := bytes.Clone(whole)
		c.change(b)
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		f := verified(t, Options{Dir: o.Dir, ReadOnly: true})
		if f.Unfinished != c.unfinished || len(f.Problems) != c.problems {
			t.Errorf("%s: %d unfinished, %+v", c.name, f.Unfinished, f.Problems)
		}
	}
	writeBatch(t, path, whole, after)
	if f := verified(t, Options{Dir: o.Dir, ReadOnly: true}); f.Unfinished != 3 || !f.Clean() {
		t.Errorf("a batch that lacks its middle: %d unfinished, %+v", f.Unfinished, f.Problems)
	}
	s = mustOpen(t, options(o.Dir)) // the next start writes these slots again
	mustAppend(t, s, scanAt("meter/1s", 1, time.Minute, model.GoodSample("v", 1)), note(1, time.Minute, "on"))
	mustClose(t, s)
	if f := verified(t, Options{Dir: o.Dir, ReadOnly: true}); f.Unfinished != 0 || !f.Clean() {
		t.Errorf("after the next start: %+v", f)
	}
}

// writeBatch leaves the first and last slots of a batch of three, as a cut
// does that lets the middle one not reach the card whole.
func writeBatch(t *testing.T, path string, whole []byte, at uint64) {
	t.Helper()
	b := bytes.Clone(whole)
	for i := range uint64(3) {
		copy(b[(at+i)%64*slotSize:], encodeSlot(slot{at + i, at, 3, []byte("part")}))
	}
	clear(b[(at+1)%64*slotSize+100:][:400])
	copy(b[(at+1)%64*slotSize+100:], "torn")
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// verified opens a store, checks it and closes it.
func verified(t *testing.T, o Options) Findings {
	t.Helper()
	s, err := Open(o)
	if err != nil {
		t.Fatal(err)
	}
	f, err := s.Verify(t.Context(), nil)
	if err := errors.Join(err, s.Close()); err != nil {
		t.Fatal(err)
	}
	return f
}

// TestASurveyChangesNothing: verify reads the ring of a store that is written to.
func TestASurveyChangesNothing(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, options(t.TempDir()))
	keep(t, s, note(1, 0, "kept"))
	mustClose(t, s)
	r, err := openRing(filepath.Join(s.opts.Dir, ringName), 128, true, openFile)
	if err != nil {
		t.Fatal(err)
	}
	defer r.close()
	r.next = 1000 // as after more than the file holds
	if sv := r.survey(); sv.newest == 0 || r.next != 1000 {
		t.Errorf("the newest slot is %d, the next one to write %d after a survey, want 1000", sv.newest, r.next)
	}
}
