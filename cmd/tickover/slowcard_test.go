package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"tickover/alarms"
	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/record"
	"tickover/collector"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// slowCard is the card under the ring: each flush takes a time, or fails.
type slowCard struct {
	flush atomic.Int64 // ns
	fault atomic.Pointer[error]
}

func (c *slowCard) open(name string, flag int, perm os.FileMode) (store.File, error) {
	f, err := os.OpenFile(name, flag, perm)
	return &slowFile{f, c}, err
}

type slowFile struct {
	*os.File
	card *slowCard
}

func (f *slowFile) Size() (int64, error) {
	at, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return at.Size(), nil
}

func (f *slowFile) WriteAt(p []byte, off int64) (int, error) {
	if err := f.card.fault.Load(); err != nil {
		return 0, *err
	}
	return f.File.WriteAt(p, off)
}

func (f *slowFile) Sync() error {
	// A flush that hangs ends soon after the fault does, as the kernel's does.
	for began := time.Now(); time.Since(began) < time.Duration(f.card.flush.Load()); {
		time.Sleep(50 * time.Millisecond)
	}
	return f.File.Sync()
}

// onSlowCard is a logger on such a card with one meter whose frequency is set
// by the test, polled twice a second. An alarm is due 1 s after 60 Hz.
type onSlowCard struct {
	*record.Reader
	card    *slowCard
	dir     string
	hertz   atomic.Int64 // in hundredths
	carrier *collector.Collector
	stop    func()
}

func (l *onSlowCard) Open(context.Context) error { return nil }

func (l *onSlowCard) Close() error { return nil }

func (l *onSlowCard) Health() model.LineHealth { return model.LineHealth{Open: true} }

func (l *onSlowCard) Read(_ context.Context, q model.ReadRequest) (model.Answer, error) {
	time.Sleep(20 * time.Millisecond)
	words := make([]uint16, q.Count)
	for i := range words {
		words[i] = uint16(l.hertz.Load())
	}
	return model.Answer{Words: words}, nil
}

func startOnSlowCard(t *testing.T) *onSlowCard {
	t.Helper()
	cfg, err := config.Parse("stall.yaml", []byte(stallConfig))
	if err != nil {
		t.Fatal(err)
	}
	l := &onSlowCard{card: &slowCard{}, dir: t.TempDir()}
	l.hertz.Store(5000)
	kept, err := store.Open(store.Options{Dir: l.dir, KernelBoot: "slow", Points: cfg.Setup.Points(), OpenRing: l.card.open, Slots: 64})
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	now := func() model.Instant { return model.Instant{Boot: kept.Boot(), Offset: time.Since(began)} }
	machine := alarms.New([]model.AlarmRule{{ID: "fast", Label: "fast", Priority: model.Critical, Kind: model.AboveLimit,
		Point: model.FrequencyPoint, Limit: 60, OnDelay: time.Second}})
	l.carrier = collector.New(collector.Parts{Setup: cfg.Setup, Lines: map[string]collector.Line{"skid": l}, Judge: machine, Keep: kept,
		Now: now, Log: slog.New(slog.DiscardHandler), Derive: func(*model.Scan) *model.StateChange { return nil }})
	l.Reader = record.NewLive(kept, cfg.Setup, l.carrier, machine)
	ctx, cancel := context.WithCancel(context.Background())
	carried, written := make(chan struct{}), make(chan struct{})
	go func() { l.carrier.Run(ctx); close(carried) }()
	go func() { kept.Run(ctx); close(written) }()
	l.stop = func() {
		l.card.flush.Store(0)
		l.card.fault.Store(nil)
		cancel()
		<-carried
		<-written
		time.Sleep(time.Second) // for the flush under way
		if err := kept.Close(); err != nil {
			t.Error(err)
		}
	}
	return l
}

// until waits for something and returns how long that took, at most a minute.
func until(there func() bool) time.Duration {
	for began := time.Now(); ; time.Sleep(10 * time.Millisecond) {
		if d := time.Since(began); there() || d > time.Minute {
			return d
		}
	}
}

func (l *onSlowCard) degraded() string { return l.Latest().Store.Degraded }

func (l *onSlowCard) alarmed() bool {
	a := l.Latest().Alarms
	return len(a) == 1 && a[0].State == model.AlarmUnacknowledged
}

// onCard reports whether a note is in the files as they are now.
func (l *onSlowCard) onCard(t *testing.T, text string) bool {
	t.Helper()
	copied := t.TempDir()
	for _, name := range []string{"tickover.db", "tickover.ring"} {
		b, err := os.ReadFile(filepath.Join(l.dir, name))
		if err == nil {
			err = os.WriteFile(filepath.Join(copied, name), b, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	s, err := store.Open(store.Options{Dir: copied, ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for e, err := range s.Events(model.Query{}) {
		if err == nil && e.Text == text {
			return true
		}
	}
	return false
}

// With flushes of 3 s an alarm came 9.7 s late and 356 rounds were skipped;
// with 10 s none was shown at all. Now the carrier does not wait for the card:
// each alarm is shown within its own time and a second, no round is skipped, a
// card that takes over 2 s for a flush is reported within the 5 s after the
// first of them and no more 10 s after the last, and what a person is told to be
// kept is on the card.
func TestACardThatIsSlowHoldsNoAlarmBack(t *testing.T) {
	const forever = time.Hour
	for _, flush := range []time.Duration{100 * time.Millisecond, time.Second, 3 * time.Second, 10 * time.Second, forever} {
		t.Run(flush.String(), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { slowFlushes(t, flush) })
		})
	}
}

func slowFlushes(t *testing.T, flush time.Duration) {
	l := startOnSlowCard(t)
	defer l.stop()
	time.Sleep(10 * time.Second)
	l.card.flush.Store(int64(flush))
	said := make(chan error)
	go func() { _, err := l.Note(t.Context(), api.Note{Text: "belt squeals"}); said <- err }()
	if flush > 2*time.Second {
		if d := until(func() bool { return strings.Contains(l.degraded(), "card") }); d > 5*time.Second {
			t.Errorf("reported as degraded after %s", d)
		}
	}
	for i := range 3 {
		l.hertz.Store(6500)
		if d := until(l.alarmed); d > 2*time.Second+520*time.Millisecond { // 1 s of its own, and up to a round
			t.Errorf("alarm %d is shown after %s", i+1, d)
		}
		began := time.Now()
		if l.Latest(); time.Since(began) > 0 {
			t.Error("the newest snapshot has to be waited for")
		}
		l.hertz.Store(5000)
		time.Sleep(5 * time.Second)
	}
	err := <-said
	switch {
	case err == nil && !l.onCard(t, "belt squeals"):
		t.Error("a note that is not on the card was confirmed")
	case err == nil && flush > collector.KeptWithin:
		t.Error("a note was confirmed before any flush ended")
	case err != nil && (flush < 4*time.Second || !errors.Is(err, store.ErrNotKept)):
		t.Errorf("the note is answered with %v", err)
	}
	if late := l.Latest().Lines[0].Overruns; late != 0 {
		t.Errorf("%d rounds skipped", late)
	}
	if flush <= time.Second && l.degraded() != "" {
		t.Errorf("reported as degraded: %s", l.degraded())
	}
	l.card.flush.Store(0)
	if d := until(func() bool { return l.degraded() == "" }); d > 10*time.Second {
		t.Errorf("still degraded %s after the fault ended: %s", d, l.degraded())
	}
	time.Sleep(6 * time.Second)
	if !l.onCard(t, "belt squeals") {
		t.Error("the note is not on the card after all")
	}
	if h := l.Latest().Store; h.Lost != 0 {
		t.Errorf("%d scans lost", h.Lost)
	}
}

// A card that refuses: said at the next write, within the 5 s that rows may wait
// for it, and a note is not confirmed.
func TestACardThatRefusesIsReportedWithinFiveSeconds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startOnSlowCard(t)
		defer l.stop()
		time.Sleep(10 * time.Second)
		fault := error(fmt.Errorf("write: %w", os.ErrPermission))
		l.card.fault.Store(&fault)
		if d := until(func() bool { return l.degraded() != "" }); d > 5*time.Second {
			t.Errorf("reported as degraded after %s", d)
		}
		began := time.Now()
		seq, err := l.Note(t.Context(), api.Note{Text: "oil weeps"})
		if !errors.Is(err, store.ErrNotKept) || time.Since(began) > 2*time.Second {
			t.Errorf("the note is answered after %s with %v", time.Since(began), err)
		}
		if err := l.Kept(t.Context(), seq, api.Note{Text: "oil weeps"}); !errors.Is(err, store.ErrNotKept) || time.Since(began) > 4*time.Second {
			t.Errorf("asked again after %s: %v", time.Since(began), err)
		}
		l.card.fault.Store(nil)
		if d := until(func() bool { return l.degraded() == "" }); d > 10*time.Second {
			t.Errorf("still degraded %s after the fault ended: %s", d, l.degraded())
		}
		if err := l.Kept(t.Context(), seq, api.Note{Text: "oil weeps"}); err != nil || !l.onCard(t, "oil weeps") {
			t.Errorf("the note is not on the card after all: %v", err)
		}
		if err := l.Kept(t.Context(), seq, api.Note{Text: "belt squeals"}); err == nil {
			t.Error("another note is confirmed by this one's number")
		}
	})
}
