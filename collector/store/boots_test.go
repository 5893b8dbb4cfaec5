package store

import (
	"testing"
	"time"

	"tickover/model"
)

// TestABootMayBeginAtZero keeps one thing at offset 0 of a boot, opens the
// store again within that boot and goes on: the boot must still begin at 0.
func TestABootMayBeginAtZero(t *testing.T) {
	for name, keep := range map[string]func(s *Store){
		"a scan":           func(s *Store) { fill(t, s, 1, 0, 1) },
		"an event":         func(s *Store) { mustKeep(t, s, note(1, 0, "on")) },
		"both, before":     func(s *Store) { mustKeep(t, s, note(1, 0, "on")); fill(t, s, 1, 0, 1) },
		"nothing of a set": func(s *Store) { mustAppend(t, s, scanAt("computer/10s", 1, 0)) },
	} {
		for _, cut := range []bool{false, true} {
			dir := t.TempDir()
			s := mustOpen(t, options(dir))
			keep(s)
			if err := s.Flush(); err != nil {
				t.Fatal(err)
			}
			if cut {
				dir = copyStore(t, dir)
			}
			mustClose(t, s)
			for range 2 {
				s = mustOpen(t, options(dir))
				mustClose(t, s)
			}
			s = mustOpen(t, options(dir))
			fill(t, s, 1, 100, 5)
			if b, _ := s.Clock().Boot(1); b.First != 0 || b.Last != 104*time.Second {
				t.Errorf("%s, cut %v: the boot is told to go from %s to %s", name, cut, b.First, b.Last)
			}
		}
	}
}

// TestEventsFromTheRingStretchTheirBoot cuts the power after an event: the
// boot must last until it.
func TestEventsFromTheRingStretchTheirBoot(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, options(dir))
	fill(t, s, 1, 0, 5)
	mustKeep(t, s, note(1, time.Minute, "on"))
	r := mustOpen(t, options(copyStore(t, dir)))
	if b, _ := r.Clock().Boot(1); b.Last != time.Minute {
		t.Errorf("the boot is told to last until %s", b.Last)
	}
}

func mustKeep(t testing.TB, s *Store, events ...model.Event) {
	t.Helper()
	if err := s.AppendEvents(events); err != nil {
		t.Fatal(err)
	}
}
