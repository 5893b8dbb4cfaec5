package store

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

const day24 = 24 * time.Hour

// change is a change of an alarm as the collector writes it.
func change(at time.Duration, rule string, p model.Priority, to model.AlarmState) model.Event {
	a := &model.AlarmEvent{At: model.Instant{Boot: 1, Offset: at}, Rule: rule, Label: rule, Priority: p, To: to,
		From: model.AlarmUnacknowledged}
	if to == model.AlarmUnacknowledged {
		a.From = model.AlarmNormal
	}
	return model.Event{At: a.At, Kind: model.AlarmTransition, Alarm: a, Text: a.Words()}
}

func deviceEvent(at time.Duration, text string) model.Event {
	return model.Event{At: model.Instant{Boot: 1, Offset: at}, Kind: model.DeviceEvent, Text: text}
}

// pass logs until an instant, so that what went before grows old.
func pass(t testing.TB, s *Store, from, to time.Duration) {
	t.Helper()
	for at := from; at <= to; at += time.Hour {
		mustAppend(t, s, scanAt("meter/1h", 1, at, model.GoodSample("v", 400)))
	}
}

func keep(t testing.TB, s *Store, events ...model.Event) {
	t.Helper()
	if err := s.AppendEvents(events); err != nil {
		t.Fatal(err)
	}
}

func allEvents(t testing.TB, s *Store) (all []model.Event) {
	t.Helper()
	for e, err := range s.Events(model.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, e)
	}
	return all
}

// TestEventsThatStayForEver writes one of each kind many times on one day and
// looks a year later: what may be thinned out is there twice, all else whole.
func TestEventsThatStayForEver(t *testing.T) {
	t.Parallel()
	o := options(t.TempDir())
	o.KeepEvents = 10 * day24
	s := mustOpen(t, o)
	engine := func(at time.Duration) model.Event {
		return model.Event{At: model.Instant{Boot: 1, Offset: at}, Kind: model.EngineEvent, Text: "engine",
			Engine: &model.StateChange{To: model.Cranking}}
	}
	const n = 6
	for i := range n {
		at := time.Duration(i) * 10 * time.Minute
		to := []model.AlarmState{model.AlarmUnacknowledged, model.AlarmNormal}[i%2]
		first := change(at, "first-out", model.Warning, to)
		first.Alarm.FirstOut = true
		act := change(at, "act", model.Warning, model.AlarmAcknowledged)
		act.Who, act.Alarm.Who = "Marta", "Marta"
		chatter := change(at, "warning", model.Warning, to)
		chatter.Alarm.LeftOut = 1
		refused := deviceEvent(at, "device meter: refuses")
		refused.Refused = &model.RefusedRead{Device: "meter"}
		boot := model.Event{At: first.At, Kind: model.DaemonEvent, Text: "started"}
		hand := model.Event{At: first.At, Kind: model.MeasurementEvent, Text: "oil", Hand: &model.Measurement{Value: 1}}
		keep(t, s, first, act, chatter, change(at, "information", model.Information, to), refused, boot, hand, note(1, at, "note"),
			deviceEvent(at, fmt.Sprintf("device meter is lost: cause %d", i)), deviceEvent(at, "device meter answers"))
		if i == 2 {
			keep(t, s, engine(at))
		}
	}
	pass(t, s, 2*time.Hour, 2*day24)
	box := change(2*day24+time.Minute, "oil", model.Critical, model.AlarmUnacknowledged)
	keep(t, s, box)
	for i := range n {
		keep(t, s, change(box.At.Offset+time.Duration(i)*time.Second, "in the box", model.Warning, model.AlarmUnacknowledged))
	}
	pass(t, s, 2*day24+time.Hour, 20*day24)
	counts, left := map[string]int{}, map[string]int{}
	all := allEvents(t, s)
	for _, e := range all {
		name := e.Text
		if e.Alarm != nil {
			name = e.Alarm.Rule
		}
		name, _, _ = strings.Cut(name, " (")
		name, _, _ = strings.Cut(name, " is lost: ")
		counts[name]++
		if e.Thinned != nil {
			left[name] += e.Thinned.Count
			if !strings.Contains(e.Text, fmt.Sprintf("(%d changes before this one are no longer listed)", e.Thinned.Count)) {
				t.Errorf("%q does not say that %d are left out", e.Text, e.Thinned.Count)
			}
		}
	}
	want := map[string]int{"first-out": n, "act": n, "device meter: refuses": n, "started": n, "oil": n + 1, "note": n, "engine": 1,
		"in the box": n, "warning": 4, "information": 4, "device meter": 2, "device meter answers": 2}
	for name, n := range want {
		if counts[name] != n {
			t.Errorf("%s: %d events, want %d", name, counts[name], n)
		}
	}
	// Three changes to each side of the engine's; one of the warning's stood for two.
	for name, n := range map[string]int{"warning": 4, "information": 2, "device meter": n - 2, "device meter answers": n - 2} {
		if left[name] != n {
			t.Errorf("%s: %d left out, want %d", name, left[name], n)
		}
	}
	if last := all[len(all)-1]; last.Seq != s.lastSeq {
		t.Errorf("the last event is %d of %d", last.Seq, s.lastSeq)
	}
}

// TestEventsAreThinnedOutAfter90Days holds the default of the rule, and that a
// day goes as a whole.
func TestEventsAreThinnedOutAfter90Days(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, options(t.TempDir()))
	for i := range 10 {
		keep(t, s, change(time.Duration(i)*2*time.Hour, "warning", model.Warning, model.AlarmNormal))
	}
	pass(t, s, 20*time.Hour, 91*day24)
	if n := len(allEvents(t, s)); n != 10 {
		t.Fatalf("%d events after 90 days, want all 10", n)
	}
	pass(t, s, 91*day24+time.Hour, 91*day24+2*time.Hour)
	if n := len(allEvents(t, s)); n != 2 {
		t.Fatalf("%d events after 90 days and the day of the events, want 2", n)
	}
}

// eventYears is how long TestEventsStayBounded logs.
const eventYears = 3

// TestEventsStayBounded has an alarm chatter and a device come and go for years,
// with restarts: what is kept grows by a few entries a day and no more, nothing
// is counted twice, and copies of all kinds hold the same.
func TestEventsStayBounded(t *testing.T) {
	t.Parallel()
	o := options(t.TempDir())
	o.KeepEvents = 5 * day24
	s := mustOpen(t, o)
	const each = 60
	written, days := 0, 365*eventYears
	for day := range days {
		at := time.Duration(day) * day24
		var events []model.Event
		for i := range each {
			to := []model.AlarmState{model.AlarmUnacknowledged, model.AlarmNormal}[i%2]
			at := at + time.Duration(i)*time.Minute
			events = append(events, change(at, "voltage", model.Warning, to), deviceEvent(at, "device meter answers"))
		}
		written += len(events)
		keep(t, s, events...)
		pass(t, s, at+3*time.Hour, at+4*time.Hour)
		mustAppend(t, s, scanAt("meter/1h", 1, at+23*time.Hour, model.GoodSample("v", 400)))
		if day%100 == 99 {
			mustClose(t, s)
			s = mustOpen(t, o)
		}
	}
	total := func(s *Store) (kept, counted int) {
		for _, e := range allEvents(t, s) {
			kept, counted = kept+1, counted+1
			if e.Thinned != nil {
				counted += e.Thinned.Count
			}
		}
		return kept, counted
	}
	kept, counted := total(s)
	if most := 4*days + 40*2*each; kept > most || kept < 4*(days-7) {
		t.Errorf("%d events kept of %d, want at most %d", kept, written, most)
	}
	if counted != written {
		t.Errorf("%d events kept or counted, %d were written", counted, written)
	}
	t.Logf("%d of %d events kept, %d bytes in use", kept, written, s.data.used())
	var backup bytes.Buffer
	if err := s.Backup(context.Background(), &backup, model.Span{}, nil); err != nil {
		t.Fatal(err)
	}
	mustClose(t, s)
	mustBeClean(t, o.Dir)
	copies := map[string]string{"backup": filepath.Join(t.TempDir(), "b"), "salvage": filepath.Join(t.TempDir(), "s")}
	if _, err := Restore(context.Background(), &backup, copies["backup"]); err != nil {
		t.Fatal(err)
	}
	if _, err := Salvage(context.Background(), filepath.Join(o.Dir, dataName), copies["salvage"], nil); err != nil {
		t.Fatal(err)
	}
	for name, dir := range copies {
		c := mustOpen(t, Options{Dir: dir, ReadOnly: true, LockTimeout: -1})
		n, all := total(c)
		if n < kept || n > kept+1 || all < counted || all > counted+1 {
			t.Errorf("%s: %d events that stand for %d, want %d and %d (and its own)", name, n, all, kept, counted)
		}
		if err := c.Close(); err != nil {
			t.Fatal(err)
		}
		c.lock = nil
	}
}

// TestADamagedOldEventStays: thinning goes round it.
func TestADamagedOldEventStays(t *testing.T) {
	t.Parallel()
	o := options(t.TempDir())
	o.KeepEvents = day24
	s, err := Open(o)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 9 {
		keep(t, s, change(time.Duration(i)*time.Hour, "warning", model.Warning, model.AlarmNormal))
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = Open(o); err != nil {
		t.Fatal(err)
	}
	err = s.data.update(func(tx *bolt.Tx) error {
		return tx.Bucket(bucketEvents).Put(eventID(4), []byte("spoilt"))
	})
	if err != nil {
		t.Fatal(err)
	}
	pass(t, s, 10*time.Hour, 5*day24)
	good, bad := 0, 0
	for _, err := range s.Events(model.Query{}) {
		if err != nil {
			bad++
		} else {
			good++
		}
	}
	if good != 2 || bad != 1 {
		t.Errorf("%d events and %d damaged ones, want 2 and 1", good, bad)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(o.Dir, dataName)); err != nil {
		t.Fatal(err)
	}
}
