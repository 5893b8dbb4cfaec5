package notify

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// inbox is a target that can be away.
type inbox struct {
	mu   sync.Mutex
	away bool
	got  []Digest
}

func (i *inbox) Send(_ context.Context, d Digest) error {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.away {
		return errors.New("away")
	}
	i.got = append(i.got, d)
	return nil
}

func (i *inbox) set(away bool) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.away = away
}

func (i *inbox) texts() []string {
	i.mu.Lock()
	defer i.mu.Unlock()
	var all []string
	for _, d := range i.got {
		for _, m := range d.Messages {
			all = append(all, m.Text)
		}
	}
	return all
}

// office is a desk with inboxes, inside a synctest bubble.
type office struct {
	*Dispatcher
	begin    time.Time
	snapshot atomic.Pointer[model.Snapshot]
	boxes    map[string]*inbox
	parts    Parts
	stop     func()
}

// begun is how long the computer had been up when the test began.
const begun = time.Hour

func newOffice(t *testing.T, routes []model.Route, names ...string) *office {
	o := &office{begin: time.Now(), boxes: map[string]*inbox{}}
	o.show(&model.Snapshot{})
	o.parts = Parts{Setup: model.Setup{Rating: model.Rating{Name: "hatchery", Site: "pond"}},
		Routes: routes, Folder: t.TempDir(),
		Latest: o.snapshot.Load, Now: o.now, Log: slog.New(slog.DiscardHandler)}
	for _, n := range names {
		o.boxes[n] = &inbox{}
		o.parts.Targets = append(o.parts.Targets, Target{model.Target{Name: n}, o.boxes[n]})
	}
	o.open()
	return o
}

func (o *office) show(s *model.Snapshot) { o.snapshot.Store(s) }

func (o *office) now() model.Instant {
	return model.Instant{Boot: 3, Offset: begun + time.Since(o.begin)}
}

// open starts the desk, as after a restart.
func (o *office) open() {
	ctx, cancel := context.WithCancel(context.Background())
	o.Dispatcher = NewDispatcher(o.parts)
	done := make(chan struct{})
	desk := o.Dispatcher
	go func() { defer close(done); desk.Run(ctx) }()
	o.stop = func() { cancel(); <-done }
}

// raise offers an alarm that becomes unacknowledged now.
func (o *office) raise(rule string, p model.Priority) {
	o.Offer([]model.AlarmEvent{{At: o.now(), Rule: rule, Label: rule, Priority: p,
		To: model.AlarmUnacknowledged, Action: "Stop the engine by hand."}})
}

func pass(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

func TestRoutesGoByPriority(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t, []model.Route{{Least: model.Warning, To: []string{"letter"}},
			{Least: model.Critical, To: []string{"pager", "letter"}}}, "letter", "pager")
		defer o.stop()
		o.raise("low", model.Information)
		o.raise("hot", model.Warning)
		o.raise("oil", model.Critical)
		o.Offer([]model.AlarmEvent{{At: o.now(), Rule: "quiet", Priority: model.Critical,
			To: model.AlarmSuppressedByDesign}})
		pass(5 * time.Second)
		if got := fmt.Sprint(o.boxes["letter"].texts(),
			o.boxes["pager"].texts()); got != "[hot: raised. oil: raised.] [oil: raised.]" {
			t.Error(got)
		}
	})
}

// Three days away, a restart in between: one digest with the original times.
func TestWhatWaitedComesAsOneDigestWithItsTimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t, []model.Route{{To: []string{"letter"}}}, "letter")
		box := o.boxes["letter"]
		box.set(true)
		wall := time.Now()
		o.show(&model.Snapshot{Clock: model.Clock{Boots: []model.Boot{{Number: 3,
			Estimates: []model.ClockEstimate{{At: begun, Wall: wall.UnixNano(),
				Source: model.ClockSynchronised}}}}}})
		for i := range 40 {
			o.raise(fmt.Sprintf("rule%d", i), model.Warning)
			pass(time.Hour)
		}
		o.stop()
		o.open()
		pass(36 * time.Hour)
		if len(box.got) != 0 || o.Health()[0].Pending != 40 || o.Health()[0].Trouble == "" {
			t.Fatalf("while away: %d sent, %+v", len(box.got), o.Health()[0])
		}
		box.set(false)
		pass(6 * time.Minute)
		o.stop()
		if len(box.got) != 1 || len(box.got[0].Messages) != 40 {
			t.Fatalf("%d digests", len(box.got))
		}
		text := strings.Join(box.got[0].lines(), "\n")
		for i := range 40 {
			if at := wall.Add(time.Duration(i) * time.Hour).UTC().Format("2006-01-02 " +
				"15:04:05 UTC"); !strings.Contains(text, at) {
				t.Errorf("%s is not in the digest", at)
			}
		}
		if files, _ := filepath.Glob(o.parts.Folder + "/*.queue"); len(files) != 0 {
			t.Errorf("left over: %v", files)
		}
	})
}

func TestATooLongQueueCountsWhatItDrops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t, []model.Route{{To: []string{"letter"}}}, "letter")
		defer o.stop()
		box := o.boxes["letter"]
		box.set(true)
		for i := range longestQueue + 25 {
			o.raise(fmt.Sprintf("rule%d", i), model.Warning)
			if i%100 == 0 {
				pass(time.Second)
			}
		}
		pass(time.Minute)
		box.set(false)
		pass(10 * time.Minute)
		total, dropped := 0, 0
		for _, d := range box.got {
			total, dropped = total+len(d.Messages), dropped+d.Dropped
		}
		if total != longestQueue || dropped != 25 || o.Health()[0].Dropped["no room"] != 25 {
			t.Errorf("%d told, %d dropped, %+v", total, dropped, o.Health())
		}
	})
}

func TestOfferNeverWaitsAndCountsWhatFoundNoRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t, []model.Route{{To: []string{"letter"}}}, "letter")
		o.stop() // nobody takes offers
		for range offerRoom + 7 {
			o.raise("oil", model.Critical) // would hang for ever if it waited
		}
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan struct{})
		go func() { defer close(done); o.Run(ctx) }()
		pass(time.Minute)
		cancel()
		<-done
		if texts := strings.Join(o.boxes["letter"].texts(), "\n"); !strings.Contains(texts,
			"7 more alarm changes") {
			t.Error("nobody is told that something is missing")
		}
	})
}

func awaiting(rule string, p model.Priority, raised model.Instant) model.AlarmStatus {
	return model.AlarmStatus{Rule: model.AlarmRule{ID: rule, Label: rule, Priority: p},
		State: model.AlarmUnacknowledged, Raised: raised}
}

func TestNobodyAcknowledges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t, []model.Route{{Least: model.Critical, To: []string{"first"},
			Second: []string{"second"}, Patience: 3 * time.Minute}}, "first", "second")
		o.show(&model.Snapshot{Alarms: []model.AlarmStatus{awaiting("oil", model.Critical, o.now()),
			awaiting("hot", model.Warning, o.now())}})
		second := o.boxes["second"]
		pass(3*time.Minute - 2*time.Second)
		if len(second.texts()) != 0 {
			t.Fatal("too early")
		}
		pass(5 * time.Second)
		o.stop()
		o.open() // a restart does not tell again
		pass(10 * time.Minute)
		if got := second.texts(); len(got) != 1 ||
			!strings.Contains(got[0], "not acknowledged, raised ") {
			t.Fatalf("%q", got)
		}
		// Raised again: told again. Acknowledged in time: not told.
		o.show(&model.Snapshot{Alarms: []model.AlarmStatus{awaiting("oil", model.Critical,
			o.now())}})
		pass(4 * time.Minute)
		acknowledged := awaiting("oil", model.Critical, o.now())
		acknowledged.State = model.AlarmAcknowledged
		o.show(&model.Snapshot{Alarms: []model.AlarmStatus{acknowledged}})
		pass(time.Hour)
		o.stop()
		if got := second.texts(); len(got) != 2 {
			t.Errorf("%q", got)
		}
	})
}

func TestSightLostAndRegainedIsToldOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t, []model.Route{{To: []string{"letter"}}}, "letter")
		defer o.stop()
		idle := model.AlarmEvent{At: o.now(), Rule: "oil", Why: "not armed at standstill"}
		lost := model.AlarmEvent{At: o.now(), Rule: "oil", Unwatched: true, Why: "no answer"}
		again := model.AlarmEvent{At: o.now(), Rule: "oil", Why: "monitored again"}
		o.Offer([]model.AlarmEvent{idle, lost, again, idle})
		pass(time.Minute)
		if got := fmt.Sprint(o.boxes["letter"].texts()); got != "[oil: not watched (no answer) "+
			"oil: monitored again]" {
			t.Error(got)
		}
	})
}

func TestADigestSaysHowItsTimeIsKnown(t *testing.T) {
	m := Message{At: model.Instant{Boot: 4, Offset: 90 * time.Second}}
	d := Digest{}
	if got := d.when(m); got != "1 min 30 s after start 4 of the computer; the time of day is "+
		"not known" {
		t.Error(got)
	}
	d.Clock.Boots = []model.Boot{{Number: 4,
		Estimates: []model.ClockEstimate{{Wall: 0, Source: model.ClockUnsynchronised}}}}
	if got := d.when(m); got != "1970-01-01 00:01:30 UTC (clock not synchronised)" {
		t.Error(got)
	}
}

// slow is a target that takes its time to answer, and hears of a hurry.
type slow struct {
	takes time.Duration
	got   atomic.Int32
}

func (s *slow) Send(ctx context.Context, _ Digest) error {
	s.got.Add(1)
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(s.takes):
		return nil
	}
}

// A message that is on its way when the logger is stopped is not sent again
// after the next start when the target still takes it; one whose target does
// not answer holds up no stop.
func TestMessageOnItsWayAtTheStop(t *testing.T) {
	for _, c := range []struct {
		takes, stop time.Duration
		sends       int32
	}{
		{1500 * time.Millisecond, 1400 * time.Millisecond, 1},
		{time.Hour, lastLimit, 2},
	} {
		synctest.Test(t, func(t *testing.T) {
			o := newOffice(t, []model.Route{{To: []string{"pager"}}})
			o.stop()
			target := &slow{takes: c.takes}
			o.parts.Targets = []Target{{model.Target{Name: "pager"}, target}}
			o.open()
			synctest.Wait() // the target has nothing to do yet
			o.raise("oil", model.Critical)
			pass(gather + 100*time.Millisecond)
			begin := time.Now()
			o.stop()
			if d := time.Since(begin); d != c.stop {
				t.Errorf("a target that takes %s held up the stop for %s, want %s", c.takes, d,
					c.stop)
			}
			o.open()
			pass(10 * time.Second)
			if n := target.got.Load(); n != c.sends {
				t.Errorf("a target that takes %s was sent to %d times, want %d", c.takes, n,
					c.sends)
			}
			o.stop()
		})
	}
}
