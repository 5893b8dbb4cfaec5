package model

import (
	"testing"
	"time"
)

func TestAnAlarmEventSaysWhatHappened(t *testing.T) {
	low := AlarmEvent{Rule: "oil.low", Label: "Oil pressure low", To: AlarmUnacknowledged, Quality: Good, Quantity: Pressure, Value: 40e3, Limit: 105e3}
	blind := low
	blind.From, blind.Quality, blind.Unwatched, blind.Why = low.To, Bad, true, "no answer"
	sight := blind
	sight.Unwatched, sight.Why = false, "watched again"
	over := AlarmEvent{Rule: "oil.low", From: AlarmUnacknowledged, To: AlarmLatchedUnacknowledged, Quality: Good, Quantity: Pressure}
	again := AlarmEvent{Rule: "oil.low", From: AlarmShelved, To: AlarmShelved, Who: "Ada", Why: "repair"}
	for _, c := range []struct {
		event AlarmEvent
		want  string
	}{
		{low, "Oil pressure low: unacknowledged, 0.40 bar against 1.05 bar"},
		{blind, "Oil pressure low: not watched (no answer)"},
		{sight, "Oil pressure low: watched again"},
		{over, "oil.low: latched, unacknowledged"},
		{again, "oil.low: shelved (repair)"},
	} {
		if got := c.event.Words(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

func TestGoingOnAndOffWatchIsQuiet(t *testing.T) {
	for _, c := range []struct {
		from, to AlarmState
		want     bool
	}{
		{AlarmNormal, AlarmSuppressedByDesign, true}, {AlarmSuppressedByDesign, AlarmNormal, true},
		{AlarmSuppressedByDesign, AlarmUnacknowledged, false}, {AlarmAcknowledged, AlarmNormal, false},
		{AlarmNormal, AlarmNormal, false}, {AlarmNormal, AlarmShelved, false},
	} {
		if got := (AlarmEvent{From: c.from, To: c.to}).Quiet(); got != c.want {
			t.Errorf("%s to %s: quiet %v", c.from, c.to, got)
		}
	}
}

func TestOnlyRaisedCriticalAlarmsKeepABlackBox(t *testing.T) {
	at := Instant{Boot: 2, Offset: 10 * time.Minute}
	raised := AlarmEvent{Priority: Critical, From: AlarmNormal, To: AlarmUnacknowledged}
	from, to, ok := Event{At: at, Alarm: &raised}.BlackBox()
	if !ok || from != (Instant{Boot: 2, Offset: 5 * time.Minute}) || to != (Instant{Boot: 2, Offset: 11 * time.Minute}) {
		t.Errorf("a critical alarm keeps %s to %s, %v", from, to, ok)
	}
	if from, _, _ := (Event{At: Instant{Boot: 2, Offset: time.Minute}, Alarm: &raised}).BlackBox(); from != (Instant{Boot: 2}) {
		t.Errorf("soon after the boot it begins at %s", from)
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
