package store

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"tickover/model"
)

// tornStates is how many states a cut of power is tried in; the long form is
// go test ./collector/store -run Torn -torn 10000.
var tornStates = flag.Int("torn", 100, "states of torn writes to try")

// moment is the two files as they were at some time, and what was promised by
// then.
type moment struct {
	data, ring []byte
	rows       int // appended
	events     int // acknowledged
}

// recordMoments works on a store and copies its files after every step: what
// differs from one to the next is what was written between two flushes.
func recordMoments(t *testing.T) (moments []moment, rows, events []string) {
	t.Helper()
	o := options(t.TempDir())
	o.Slots = 64
	s := mustOpen(t, o)
	snap := func() {
		m := moment{rows: len(rows), events: len(events)}
		m.data, m.ring = beginning(t, filepath.Join(o.Dir, dataName)), beginning(t, filepath.Join(o.Dir, ringName))
		if n := len(moments); n == 0 || !bytes.Equal(moments[n-1].data, m.data) || !bytes.Equal(moments[n-1].ring, m.ring) {
			moments = append(moments, m)
		} else {
			moments[n-1].rows = m.rows
		}
	}
	snap()
	for i := range 1300 {
		at := time.Duration(i) * time.Second
		scan := scanAt("meter/1s", 1, at, model.GoodSample("v", float64(i*7919%997)/10), model.GoodSample("x", float64(i)/7))
		var with []model.Event
		if i%97 == 0 {
			with = []model.Event{note(1, at, fmt.Sprint("event ", i))}
		}
		mustAppend(t, s, scan, with...)
		rows = append(rows, line(scan))
		for _, e := range with {
			events = append(events, fmt.Sprintf("%d %s %s", e.Seq, e.At, e.Text))
		}
		snap() // each, so that no two flushes lie between
	}
	return moments, rows, events
}

// beginning reads the part of a file that the test's few rows reach.
func beginning(t *testing.T, path string) []byte {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	b := make([]byte, 384<<10)
	n, err := io.ReadFull(f, b)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Fatal(err)
	}
	return b[:n]
}

// TestTornStates rebuilds states that a cut of power may leave: of the sectors
// written since the last flush any may have reached the card, bbolt's meta
// page only after all others. Every acknowledged event must be there, and all
// rows but those of the tail.
func TestTornStates(t *testing.T) {
	t.Parallel()
	moments, rows, events := recordMoments(t)
	random := rand.New(rand.NewPCG(11, 12))
	work := t.TempDir()
	for n := range *tornStates {
		i := 1 + random.IntN(len(moments)-1)
		before, after := moments[i-1], moments[i]
		meta := random.IntN(2) == 0 // the pages were flushed, the meta page was under way
		ring := torn(random, before.ring, after.ring, func(int) bool { return random.IntN(2) == 0 })
		data := torn(random, before.data, after.data, func(at int) bool {
			if at < 2*pageSize {
				return meta && random.IntN(2) == 0
			}
			return meta || random.IntN(2) == 0
		})
		if meta { // a seal follows a ring that was flushed
			ring = after.ring
		}
		openTorn(t, work, fmt.Sprintf("state %d, moment %d", n, i), data, ring, before, rows, events)
	}
}

// torn mixes two states by sectors of 512 bytes.
func torn(_ *rand.Rand, before, after []byte, reached func(at int) bool) []byte {
	out := make([]byte, max(len(before), len(after)))
	copy(out, before)
	for at := 0; at < len(after); at += 512 {
		if end := min(at+512, len(after)); string(after[at:end]) != string(out[at:end]) && reached(at) {
			copy(out[at:end], after[at:end])
		}
	}
	return out
}

func openTorn(t *testing.T, work, where string, data, ring []byte, promised moment, rows, events []string) {
	t.Helper()
	clearDir(t, work)
	err := errors.Join(os.WriteFile(filepath.Join(work, dataName), data, 0o600), os.WriteFile(filepath.Join(work, ringName), ring, 0o600))
	if err == nil {
		err = os.Truncate(filepath.Join(work, dataName), 17<<20)
	}
	if err != nil {
		t.Fatal(err)
	}
	s, err := Open(options(work))
	if err != nil {
		t.Fatalf("%s: %v", where, err)
	}
	got := lines(t, s, model.Query{})
	if len(got) < promised.rows-5 {
		t.Fatalf("%s: %d rows of %d", where, len(got), promised.rows)
	}
	same(t, where, got, rows[:len(got)])
	kept := []string{}
	for e, err := range s.Events(model.Query{}) {
		if err != nil {
			t.Fatalf("%s: %v", where, err)
		}
		if e.Kind != model.StoreEvent {
			kept = append(kept, fmt.Sprintf("%d %s %s", e.Seq, e.At, e.Text))
		}
	}
	if len(kept) < promised.events {
		t.Fatalf("%s: %d events of %d acknowledged", where, len(kept), promised.events)
	}
	same(t, where+": events", kept, events[:len(kept)])
	f, err := s.Verify(context.Background(), nil)
	if !f.Clean() {
		t.Fatalf("%s: %+v", where, f.Problems)
	}
	if err := errors.Join(err, s.Close()); err != nil {
		t.Fatalf("%s: %v", where, err)
	}
}
