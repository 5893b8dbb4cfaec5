package model

import (
	"fmt"
	"testing"
	"time"
)

func TestOnlyGraveEventsKeepABlackBox(t *testing.T) {
	at := Instant{Boot: 2, Offset: 10 * time.Minute}
	raised := AlarmEvent{Priority: Critical, From: AlarmNormal, To: AlarmUnacknowledged}
	from, to, ok := Event{At: at, Alarm: &raised}.BlackBox()
	if !ok || from != (Instant{Boot: 2, Offset: 5 * time.Minute}) || to != (Instant{Boot: 2, Offset: 11 * time.Minute}) {
		t.Errorf("a critical alarm keeps %s to %s, %v", from, to, ok)
	}
	if from, _, _ := (Event{At: Instant{Boot: 2, Offset: time.Minute}, Alarm: &raised}).BlackBox(); from != (Instant{Boot: 2}) {
		t.Errorf("soon after the boot it begins at %s", from)
	}
	if _, _, ok := (Event{At: at, Engine: &StateChange{From: Loaded, To: RunningDown, Abrupt: true}}).BlackBox(); !ok {
		t.Error("an abrupt stop keeps no black box")
	}
	if _, _, ok := (Event{At: at, Engine: &StateChange{From: Unloaded, To: RunningDown}}).BlackBox(); ok {
		t.Error("an ordinary stop keeps a black box")
	}
	for name, a := range map[string]*AlarmEvent{
		"no alarm":           nil,
		"a warning":          {Priority: Warning, To: AlarmUnacknowledged},
		"an acknowledgement": {Priority: Critical, From: AlarmUnacknowledged, To: AlarmAcknowledged},
		"a loss of sight":    {Priority: Critical, From: AlarmUnacknowledged, To: AlarmUnacknowledged, Unwatched: true},
	} {
		if _, _, ok := (Event{At: at, Alarm: a}).BlackBox(); ok {
			t.Errorf("%s keeps a black box", name)
		}
	}
}

func TestBoxesThatTouchAreOne(t *testing.T) {
	var events []Event
	raise := func(boot uint32, at time.Duration) {
		events = append(events, Event{Seq: uint64(len(events) + 10), At: Instant{boot, at}, Alarm: &AlarmEvent{Priority: Critical, To: AlarmUnacknowledged}})
	}
	raise(1, 10*time.Minute)
	raise(1, 16*time.Minute) // begins where the first ends
	raise(1, 22*time.Minute+time.Nanosecond)
	raise(2, 23*time.Minute)
	events = append(events, Event{Seq: 99, Kind: NoteEvent})
	got := ""
	for _, b := range BlackBoxes(events) {
		got += fmt.Sprintf("%d: %d, %s to %s, %v %v\n", b.ID, len(b.Causes), b.From, b.To, b.Holds(11), b.Holds(13))
	}
	if want := "10: 2, 1+5m0s to 1+17m0s, true false\n12: 1, 1+17m0.000000001s to 1+23m0.000000001s, false false\n13: 1, 2+18m0s to 2+24m0s, false true\n"; got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}
