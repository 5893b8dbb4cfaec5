package notify

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// shed is an attendant whose clock, messages and timeline a test sees.
type shed struct {
	*LoneWorker
	begin  time.Time
	boot   uint32
	told   []string
	line   []string
	folder string
}

func newShed(t *testing.T) *shed {
	s := &shed{begin: time.Now(), boot: 1, folder: t.TempDir()}
	s.open()
	return s
}

func (s *shed) open() {
	s.LoneWorker = NewLoneWorker(model.CheckIn{Place: "Pump house", To: []string{"pager"}},
		func(m Message, to []string) {
			s.told = append(s.told, m.Priority.String()+" "+m.Text+" "+fmt.Sprint(to))
		},
		func(text, who string) { s.line = append(s.line, who+": "+text) }, nil,
		func() model.Instant { return model.Instant{Boot: s.boot, Offset: time.Since(s.begin)} },
		s.folder, slog.New(slog.DiscardHandler))
}

// heard is what was told. The attendant tells under its lock.
func (s *shed) heard() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.told)
}

func (s *shed) sign(t *testing.T, who string) {
	t.Helper()
	if _, err := s.CheckIn(who, 0); err != nil {
		t.Fatal(err)
	}
}

func TestTwoMissedSignsTellWhereToLook(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShed(t)
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan struct{})
		go func() { defer close(done); s.Run(ctx) }()
		pass(24 * time.Hour)
		if len(s.heard()) != 0 {
			t.Error("a timer that nobody started")
		}
		s.sign(t, "Ada")
		pass(14 * time.Minute)
		s.sign(t, "")
		pass(20 * time.Minute) // one missed
		if p, _ := s.Presence(); p.Missed != 1 || p.Who != "Ada" || len(s.heard()) != 0 {
			t.Errorf("%+v, told %q", p, s.heard())
		}
		pass(10*time.Minute + 2*time.Second)
		want := "critical Ada works alone and has not checked in for 30 min (2 check-ins " +
			"missed); location: Pump house [pager]"
		if len(s.heard()) != 1 || s.heard()[0] != want {
			t.Errorf("told %q, want %q", s.heard(), want)
		}
		pass(15 * time.Minute) // it is told again
		s.sign(t, "")
		if len(s.heard()) != 3 || !strings.Contains(s.heard()[2], "has checked in again") {
			t.Errorf("told %q", s.heard())
		}
		if err := s.End("Ada"); err != nil {
			t.Error(err)
		}
		pass(24 * time.Hour)
		if len(s.heard()) != 3 {
			t.Errorf("after the end told %q", s.heard())
		}
		cancel()
		<-done
	})
}

func TestATimerOutlivesARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShed(t)
		s.sign(t, "Ada")
		time.Sleep(16 * time.Minute)
		s.open()
		s.look()
		if p, on := s.Presence(); !on || p.Missed != 1 || p.Every != 15*time.Minute {
			t.Errorf("%+v, %v", p, on)
		}
		s.boot = 2 // the time of the last sign is not known any more: it begins anew
		s.open()
		time.Sleep(31 * time.Minute)
		s.look()
		if p, _ := s.Presence(); p.Missed != 2 || len(s.told) != 1 {
			t.Errorf("after a reboot %+v, told %q", p, s.told)
		}
		if err := s.End(""); err != nil {
			t.Fatal(err)
		}
		s.open()
		if _, on := s.Presence(); on {
			t.Error("an ended timer came back")
		}
	})
}

func TestSignsTooFarApartAreRefused(t *testing.T) {
	s := newShed(t)
	for _, every := range []time.Duration{time.Second, 5 * time.Hour, -time.Minute} {
		if _, err := s.CheckIn("Ada", every); err == nil {
			t.Errorf("%s is taken", every)
		}
	}
}

// script writes a program for a horn and returns its path.
func script(t *testing.T, body string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "horn")
	if err := os.WriteFile(path, []byte("#!/bin/sh\n"+body+"\n"), 0o700); err != nil {
		t.Fatal(err)
	}
	return path
}

func hornOf(command []string, limit time.Duration) *Horn {
	return NewHorn(model.Hook{Command: command, Timeout: limit}, slog.New(slog.DiscardHandler))
}

func TestAHornIsOffByDefault(t *testing.T) {
	if hornOf(nil, 0) != nil {
		t.Error("a horn without a command")
	}
}

func TestTheHornSoundsAndIsSilencedAtTheEnd(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out")
	h := hornOf([]string{script(t, `echo "$@" >> "$1"`), out}, 0)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); h.Run(ctx) }()
	h.alarm(true)
	for range 500 {
		if text, _ := os.ReadFile(out); strings.Contains(string(text), "on") {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	cancel()
	<-done
	if text, _ := os.ReadFile(out); string(text) != out+" on\n"+out+" off\n" {
		t.Errorf("called with %q", text)
	}
}

// The desk says every second that sound is wanted. A command that fails is not
// run each time.
func TestAFailingHornIsNotRunOverAndOver(t *testing.T) {
	h := hornOf([]string{script(t, "exit 3")}, 0)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); h.Run(ctx) }()
	for range 50 {
		h.alarm(true)
		time.Sleep(10 * time.Millisecond)
	}
	cancel()
	<-done
	if n := h.Health().Failures; n < 1 || n > 2 {
		t.Errorf("%d failures in half a second", n)
	}
}

// What a hook writes is read to a bound: one that writes without end is ended,
// and takes no memory meanwhile.
func TestAHornThatWritesWithoutEndIsEnded(t *testing.T) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	begun := time.Now()
	err := hornOf([]string{script(t, "yes")}, 20*time.Second).call(context.Background(), true)
	runtime.ReadMemStats(&after)
	if err == nil || !strings.Contains(err.Error(), "writes too much output") ||
		model.HintOf(err) == "" {
		t.Errorf("%v", err)
	}
	if took, grown := time.Since(begun),
		after.TotalAlloc-before.TotalAlloc; took > 10*time.Second || grown > 4<<20 ||
		len(err.Error()) > 500 {
		t.Errorf("took %v, %d bytes of memory, and says %d bytes", took, grown, len(err.Error()))
	}
	if err := hornOf([]string{script(t, "head -c 1000000 /dev/zero; exit 0")},
		20*time.Second).call(context.Background(), true); err != nil {
		t.Errorf("a horn that writes much and returns: %v", err)
	}
	err = hornOf([]string{script(t, "head -c 1000 /dev/zero | tr '\\0' x; exit 3")},
		20*time.Second).call(context.Background(), true)
	if err == nil || strings.Count(err.Error(), "x") != keptOutput+1 { // one is in "exit"
		t.Errorf("of a long text is kept: %v", err)
	}
}

// A hook that never returns, with a child of its own, is ended with it; one
// that is missing or fails is a counted failure.
func TestHornsThatDoNotWork(t *testing.T) {
	for _, c := range []struct{ path, says string }{
		{script(t, "sleep 1000 & sleep 1000"), "did not end within"},
		{"/nowhere/horn", "run the command"},
		{script(t, "echo broken lamp; exit 3"), "broken lamp"},
	} {
		h := hornOf([]string{c.path}, 100*time.Millisecond)
		err := h.call(context.Background(), true)
		h.report(err)
		if err == nil || !strings.Contains(err.Error(), c.says) || h.Health().Failures != 1 {
			t.Errorf("%s: %v, %+v", c.path, err, h.Health())
		}
	}
}
