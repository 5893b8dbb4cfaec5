package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"
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
