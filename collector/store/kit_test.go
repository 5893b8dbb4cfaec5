package store

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"tickover/model"
)

const bootOne = "11111111-1111-1111-1111-111111111111"

func options(dir string) Options {
	return Options{Dir: dir, KernelBoot: bootOne, LockTimeout: -1, Points: testPoints(), Slots: 128}
}

func testPoints() map[model.PointID]model.Point {
	points := map[model.PointID]model.Point{}
	add := func(id model.PointID, t model.RegisterType, num, den, off int64) {
		points[id] = model.Point{ID: id, Register: model.Register{Type: t,
			Resolution: model.Resolution{Num: num, Den: den, Off: off}}}
	}
	add("v", model.Uint16, 1, 10, 0)
	add("t", model.Int16, 1, 100, -27315)
	add("p", model.Float32, 1000, 1, 0)
	return points
}

// mustOpen opens a store that is closed and verified when the test ends.
func mustOpen(t testing.TB, o Options) *Store {
	t.Helper()
	s, err := Open(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if s.data.open.Load() == nil || s.lock == nil {
			return
		}
		mustClose(t, s)
		mustBeClean(t, o.Dir)
	})
	return s
}

func mustClose(t testing.TB, s *Store) {
	t.Helper()
	if s.lock == nil {
		return
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s.lock = nil
}

func mustBeClean(t failer, dir string) {
	t.Helper()
	s, err := Open(Options{Dir: dir, ReadOnly: true, LockTimeout: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	f, err := s.Verify(context.Background(), nil)
	if err != nil || !f.Clean() {
		t.Fatalf("verify: %v, %+v", err, f.Problems)
	}
}

// failer is a test or one check of rapid, which then finds the smallest input.
type failer interface {
	Helper()
	Fatal(...any)
	Fatalf(string, ...any)
}

func scanAt(group string, boot uint32, at time.Duration, samples ...model.Sample) *model.Scan {
	return &model.Scan{Group: group, At: model.Instant{Boot: boot, Offset: at}, Samples: samples, Measured: len(samples)}
}

func mustAppend(t testing.TB, s *Store, scan *model.Scan, events ...model.Event) {
	t.Helper()
	if err := s.Append(scan, events); err != nil {
		t.Fatal(err)
	}
}

// lines renders scans so that every bit of them shows.
func lines(t testing.TB, s *Store, q model.Query) []string {
	t.Helper()
	var out []string
	for scan, err := range s.Scans(q) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, line(scan))
	}
	return out
}

func line(scan *model.Scan) string {
	text := fmt.Sprintf("%s %d %d", scan.Group, scan.At.Boot, scan.At.Offset)
	for _, x := range scan.Samples[:scan.Measured] {
		text += fmt.Sprintf(" %s=%016x/%d/%d+%d", x.Point, math.Float64bits(x.Value), x.Quality, x.Cause, x.Lag)
	}
	return text
}

func eventTexts(t testing.TB, s *Store, q model.Query) []string {
	t.Helper()
	var out []string
	for e, err := range s.Events(q) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, fmt.Sprintf("%d %s %s", e.Seq, e.At, e.Text))
	}
	return out
}

// copyStore copies the files as they are now, as a cut of power leaves them.
func copyStore(t testing.TB, from string) string {
	t.Helper()
	to := t.TempDir()
	for _, name := range []string{dataName, ringName} {
		text, err := os.ReadFile(filepath.Join(from, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(to, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return to
}

func note(boot uint32, at time.Duration, text string) model.Event {
	return model.Event{At: model.Instant{Boot: boot, Offset: at}, Kind: model.NoteEvent, Text: text}
}
