package model

import "testing"

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
