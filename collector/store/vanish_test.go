package store

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// TestFilesThatVanish takes ring, data file or folder away under a running
// store. It is noticed within 10 s, said, and made again from what is open and
// in memory; what a copy cannot bring back is said too.
func TestFilesThatVanish(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(dir string) error
		says  string
		loses bool // what was sealed
	}{
		"ring deleted":       {func(dir string) error { return os.Remove(filepath.Join(dir, ringName)) }, "tickover.ring is gone", false},
		"ring cut short":     {func(dir string) error { return os.Truncate(filepath.Join(dir, ringName), 5*slotSize) }, "tickover.ring was cut short", false},
		"data file deleted":  {func(dir string) error { return os.Remove(filepath.Join(dir, dataName)) }, "tickover.db is gone", false},
		"data file cut":      {func(dir string) error { return os.Truncate(filepath.Join(dir, dataName), 2*pageSize) }, "what was sealed before is missing", true},
		"data file replaced": {func(dir string) error { return replaceFile(filepath.Join(dir, dataName)) }, "tickover.db.damaged-1", false},
		"folder deleted":     {os.RemoveAll, "the state folder is gone", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := options(filepath.Join(t.TempDir(), "state"))
			s := mustOpen(t, o)
			want := fill(t, s, 1, 0, 1000)
			stop := running(t, s)
			if err := s.HandEvents([]model.Event{note(1, 1000*time.Second, "kept before")})(t.Context()); err != nil {
				t.Fatal(err)
			}
			inMemory := 0
			for _, r := range s.collect(everything).rows {
				inMemory += len(r.at)
			}
			time.Sleep(100 * time.Millisecond) // the inspector saw all of it once
			if err := c.spoil(o.Dir); err != nil {
				t.Fatal(err)
			}
			within(t, 10*time.Second, "said", func() bool {
				for e, err := range s.Events(model.Query{}) { // a file that was cut can't be read for a while
					if err == nil && strings.Contains(e.Text, c.says) {
						return true
					}
				}
				return false
			})
			within(t, 5*time.Second, "well again", func() bool { return s.Health().Degraded == "" })
			if c.loses {
				want = want[len(want)-inMemory:]
			}
			want = append(want, fill(t, s, 1, 1001, 700)...)
			got := lines(t, s, model.Query{})
			same(t, "rows", got, want)
			stop()
			mustClose(t, s)
			mustBeClean(t, o.Dir)
			s = mustOpen(t, options(o.Dir))
			same(t, "rows after a restart", lines(t, s, model.Query{}), want)
			if told := strings.Join(eventTexts(t, s, model.Query{}), "\n"); !strings.Contains(told, "kept before") || !strings.Contains(told, c.says) || strings.Contains(told, "lacks") {
				t.Fatal(told)
			}
		})
	}
}

func replaceFile(path string) error {
	return errors.Join(os.Remove(path), os.WriteFile(path, make([]byte, 1<<20), 0o600))
}

// TestTheNextStartSaysWhatIsMissing takes a file away between two starts.
func TestTheNextStartSaysWhatIsMissing(t *testing.T) {
	for name, says := range map[string]string{ringName: "the ring was not there", dataName: "the data file was not there"} {
		o := options(t.TempDir())
		s := mustOpen(t, o)
		fill(t, s, 1, 0, 700)
		mustClose(t, s)
		if err := os.Remove(filepath.Join(o.Dir, name)); err != nil {
			t.Fatal(err)
		}
		s = mustOpen(t, o)
		if told := strings.Join(eventTexts(t, s, model.Query{}), "\n"); strings.Count(told, says) != 1 {
			t.Errorf("%s: %s", name, told)
		}
	}
}
