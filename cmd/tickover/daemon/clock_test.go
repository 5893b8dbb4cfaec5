package daemon

import (
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"tickover/collector/store"
	"tickover/model"
)

func TestWhoVouchesForTheClock(t *testing.T) {
	now := time.Now()
	mark := filepath.Join(t.TempDir(), "synchronized")
	kernel := func(state int, status int32, err error) func(*unix.Timex) (int, error) {
		return func(tx *unix.Timex) (int, error) { tx.Status = status; return state, err }
	}
	forbidden := kernel(0, 0, unix.EPERM)
	expect := func(what string, ask func(*unix.Timex) (int, error), want bool) {
		t.Helper()
		if got := synchronised(ask, mark, now); got != want {
			t.Errorf("%s: synchronised %v, want %v", what, got, want)
		}
	}
	expect("the kernel says yes", kernel(unix.TIME_OK, 0, nil), true)
	expect("the kernel says no", kernel(unix.TIME_ERROR, unix.STA_UNSYNC, nil), false)
	expect("nobody may ask and no mark", forbidden, false)
	if err := os.WriteFile(mark, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	expect("nobody may ask but the mark is fresh", forbidden, true)
	expect("the kernel says no beside a mark", kernel(unix.TIME_ERROR, unix.STA_UNSYNC, nil), false)
	if err := os.Chtimes(mark, now, now.Add(-9*time.Hour)); err != nil {
		t.Fatal(err)
	}
	expect("nobody may ask and the mark is old", forbidden, false)
}

// What was sent before a restart is sent again with the same time only if the
// boot keeps its date.
func TestARestartDatesABootAsBefore(t *testing.T) {
	s, err := store.Open(store.Options{Dir: t.TempDir(), KernelBoot: "one", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	first := model.ClockEstimate{At: time.Hour, Wall: 1e18, Source: model.ClockSynchronised}
	jumped := model.ClockEstimate{At: 3 * time.Hour, Wall: 1e18 + int64(2*time.Hour+2*jump), Source: model.ClockSynchronised}
	for _, c := range []struct{ now, want model.ClockEstimate }{
		{model.ClockEstimate{At: time.Minute, Wall: 9e17, Source: model.ClockUnsynchronised}, model.ClockEstimate{At: time.Minute, Wall: 9e17, Source: model.ClockUnsynchronised}},
		{first, first},
		{model.ClockEstimate{At: 2 * time.Hour, Wall: 1e18 + int64(time.Hour+30*time.Millisecond), Source: model.ClockSynchronised}, first},
		{jumped, jumped},
	} {
		if err := dateBoot(s, c.now); err != nil {
			t.Fatal(err)
		}
		if b, ok := s.Clock().Boot(s.Boot()); !ok {
			t.Fatal("the boot is not there")
		} else if best, _ := b.Best(); best != c.want {
			t.Errorf("after %+v the boot is dated by %+v", c.now, best)
		}
	}
}
