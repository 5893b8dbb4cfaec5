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

// What the text of an alarm, the table and the page say of a rate is in one
// unit: a minute for what is slow, a second for a jump.
func TestRatesAndTimesAreToldInOneUnit(t *testing.T) {
	for _, c := range []struct {
		kind  AlarmKind
		point Quantity
		value float64
		want  string
	}{
		{RisingFaster, Temperature, 2.0 / 60, "2.0 K/min"},
		{JumpsFaster, Temperature, 10, "10.0 K/s"},
		{FallingFaster, Pressure, 50e3 / 60, "0.5 bar/min"},
		{JumpsFaster, Pressure, 20e5, "20.0 bar/s"},
		{UsedUpWithin, Ratio, 5400, "1.5 h"},
		{UsedUpWithin, Ratio, 3300, "55.0 min"},
		{StuckFor, Temperature, 45, "45.0 s"},
		{NeverMoves, State, 3, "3"},
		{AboveLimit, Concentration, 31e-6, "31 ppm"},
	} {
		r := AlarmRule{Kind: c.kind}
		if got := r.Measures(c.point).ShowWithUnit(c.value); got != c.want {
			t.Errorf("%s of a %s shows %v as %q, want %q", c.kind, c.point, c.value, got, c.want)
		}
	}
}

// A rule that needs every phase abnormal does not warn after one that needs any.
func TestARuleOfAllPhasesIsNotHeldAgainstOneOfAny(t *testing.T) {
	lost := AlarmRule{ID: "lost", Priority: Critical, Point: VoltageL1N, Limit: 196}
	absent := AlarmRule{ID: "absent", Priority: Warning, Point: VoltageL1N, Limit: 115, AllOf: true}
	if absent.WarnsAfter(lost) {
		t.Error("no voltage at all is called late after one voltage lost")
	}
	absent.AllOf = false
	if !absent.WarnsAfter(lost) {
		t.Error("115 V warns before 196 V?")
	}
}
