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

// TestEventsInMemoryAreBounded lets warnings chatter on a store without a
// folder: critical alarms, first-outs and what people write outlast them; what
// went is counted, said while it lasts and on the timeline afterwards.
func TestEventsInMemoryAreBounded(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "state")
	if err := os.WriteFile(dir, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	o := options(dir)
	o.KeepTrying = true
	s := mustOpen(t, o)
	stop := running(t, s)
	boot := s.Boot()
	hand := func(e model.Event) {
		e.At.Boot = boot
		s.HandEvents([]model.Event{e})
	}
	first := change(0, "first-out", model.Warning, model.AlarmUnacknowledged)
	first.Alarm.FirstOut = true
	last := []model.Event{note(boot, 0, "oil weeps"), change(0, "oil", model.Critical, model.AlarmUnacknowledged), first}
	for _, e := range last {
		hand(e)
	}
	const many = 12000
	for i := range many {
		hand(change(time.Duration(i)*time.Second, "voltage", model.Warning, model.AlarmNormal))
	}
	memory, _ := s.eventsInMemory()
	held, h := len(memory), s.Health()
	if held > 5000 || held < 4500 || int(h.LostEvents)+held != many+len(last) {
		t.Errorf("%d events held and %d given up of %d, want at most 5000 held", held, h.LostEvents, many+len(last))
	}
	if !strings.Contains(h.Degraded, "events were given up") {
		t.Errorf("the health does not say that events were given up: %q", h.Degraded)
	}
	if err := os.Remove(dir); err != nil {
		t.Fatal(err)
	}
	within(t, 10*time.Second, "the folder is taken", func() bool { return s.Health().Degraded == "" })
	stop()
	mustClose(t, s)
	s = mustOpen(t, options(dir))
	text := strings.Join(eventTexts(t, s, model.Query{}), "\n")
	for _, e := range last {
		if !strings.Contains(text, e.Text) {
			t.Errorf("%q did not outlast the warnings", e.Text)
		}
	}
	if n := strings.Count(text, "events before this one are missing"); n != 1 {
		t.Errorf("the timeline says %d times that events are missing", n)
	}
}

// TestANoteThatIsGivenUpIsNotConfirmed: whoever waits hears it, also once the
// card takes later events.
func TestANoteThatIsGivenUpIsNotConfirmed(t *testing.T) {
	t.Parallel()
	o := options(t.TempDir())
	o.Events = 3
	s := mustOpen(t, o)
	s.running.Store(true) // as if the writer were held up
	defer s.running.Store(false)
	kept := s.HandEvents([]model.Event{note(1, 0, "first")})
	for range 3 {
		s.HandEvents([]model.Event{note(1, 0, "later")})
	}
	s.mu.Lock()
	s.health.SyncedSeq = 4
	s.mu.Unlock()
	s.answer(nil)
	if err := kept(t.Context()); !errors.Is(err, errNoRoom) {
		t.Errorf("a note that was given up is answered with %v", err)
	}
	if n := len(s.events); n != 3 {
		t.Errorf("%d events held, want 3", n)
	}
}
