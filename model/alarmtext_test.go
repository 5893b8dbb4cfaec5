package model

import (
	"testing"
	"time"
)

var (
	textClock = Clock{Boots: []Boot{{Number: 1, Estimates: []ClockEstimate{{Wall: time.Date(2025, 11, 8, 14, 0, 0, 0, time.UTC).UnixNano(), Source: ClockSynchronised}}}}}
	textAt    = Instant{Boot: 1, Offset: 2*time.Minute + 11*time.Second}
	textNow   = textAt.Add(40 * time.Second)
)

// lowOil is an alarm of oil pressure that was raised at 0.39 bar.
func lowOil(state AlarmState, now float64) AlarmStatus {
	return AlarmStatus{Rule: AlarmRule{ID: "oil.low", Kind: BelowLimit, Action: "Stop the engine by hand now."}, State: state, Raised: textAt,
		Crossing: Crossing{39e3, 40e3, Good, ""}, Value: now, Quality: Good, Limit: 40e3, Watching: true}
}

// The text has the value when it was raised, the time, the limit and what is
// now; it says when it is over, and never that the value is back when it is not.
func TestTheTextOfAnAlarmSaysWhatRaisedItAndWhatIsNow(t *testing.T) {
	change := func(a AlarmStatus, do func(*AlarmStatus)) AlarmStatus { do(&a); return a }
	for _, c := range []struct {
		name  string
		alarm AlarmStatus
		q     Quantity
		want  string
	}{
		{"it lasts", lowOil(AlarmUnacknowledged, 31e3), Pressure, "14:02:11 UTC fell to 0.39 bar (limit 0.40). Now 0.31 bar."},
		{"it lasts, seen", lowOil(AlarmAcknowledged, 31e3), Pressure, "14:02:11 UTC fell to 0.39 bar (limit 0.40). Now 0.31 bar."},
		{"over", lowOil(AlarmLatchedUnacknowledged, 320e3), Pressure, "14:02:11 UTC fell to 0.39 bar (limit 0.40). Now 3.20 bar: back to normal."},
		{"over, seen", lowOil(AlarmLatchedAcknowledged, 320e3), Pressure, "14:02:11 UTC fell to 0.39 bar (limit 0.40). Now 3.20 bar: back to normal."},
		{"over, not latched", lowOil(AlarmReturnedUnacknowledged, 320e3), Pressure, "14:02:11 UTC fell to 0.39 bar (limit 0.40). Now 3.20 bar: back to normal."},
		{"normal", lowOil(AlarmNormal, 320e3), Pressure, ""},
		{"low again for less than its delay", change(lowOil(AlarmLatchedUnacknowledged, 31e3), func(a *AlarmStatus) { a.Turning = true }), Pressure,
			"14:02:11 UTC fell to 0.39 bar (limit 0.40). Now 0.31 bar: beyond the limit again."},
		{"the engine stopped", change(lowOil(AlarmLatchedUnacknowledged, 0), func(a *AlarmStatus) {
			a.Watching, a.Why = false, "nothing to watch for at standstill"
		}), Pressure, "14:02:11 UTC fell to 0.39 bar (limit 0.40). Now 0.00 bar; over: nothing to watch for at standstill."},
		{"the sensor died meanwhile", change(lowOil(AlarmUnacknowledged, 31e3), func(a *AlarmStatus) { a.Quality = Bad }), Pressure,
			"14:02:11 UTC fell to 0.39 bar (limit 0.40). Now no good reading."},
		{"the sensor died after it was over", change(lowOil(AlarmLatchedUnacknowledged, 320e3), func(a *AlarmStatus) { a.Quality = Bad }), Pressure,
			"14:02:11 UTC fell to 0.39 bar (limit 0.40). Back to normal; now no good reading."},
		{"nearer to the limit than is shown", change(lowOil(AlarmUnacknowledged, 31e3), func(a *AlarmStatus) { a.Crossing.Value = 39999 }), Pressure,
			"14:02:11 UTC fell below the limit of 0.40 bar. Now 0.31 bar."},
		{"above", change(lowOil(AlarmUnacknowledged, 110), func(a *AlarmStatus) {
			a.Rule.Kind, a.Crossing = AboveLimit, Crossing{105, 103, Good, ""}
		}), Temperature, "14:02:11 UTC rose to 105.0 °C (limit 103.0). Now 110.0 °C."},
		{"a device", change(lowOil(AlarmReturnedUnacknowledged, 0), func(a *AlarmStatus) { a.Rule.Kind, a.Quality = DeviceLost, Bad }), NoQuantity,
			"14:02:11 UTC no answer. Now it answers: back to normal."},
		{"one of three phases", change(lowOil(AlarmUnacknowledged, 200), func(a *AlarmStatus) { a.Crossing = Crossing{180, 195.5, Good, "L2 180.0 V"} }), Voltage,
			"14:02:11 UTC fell to 180.0 V (limit 195.5) (L2 180.0 V). Now 200.0 V."},
		{"a device by name", change(lowOil(AlarmUnacknowledged, 0), func(a *AlarmStatus) {
			a.Rule.Kind, a.Quality, a.Crossing.Why = DeviceLost, Bad, "no answer from meter"
		}), NoQuantity, "14:02:11 UTC no answer from meter. Now still no answer."},
		{"a switch", change(lowOil(AlarmUnacknowledged, 1), func(a *AlarmStatus) { a.Rule.Kind = AboveLimit }), State, "14:02:11 UTC raised. Now the same."},
		{"yesterday", change(lowOil(AlarmUnacknowledged, 31e3), func(a *AlarmStatus) { a.Raised.Offset -= 24 * time.Hour }), Pressure,
			"2025-11-07 14:02:11 UTC fell to 0.39 bar (limit 0.40). Now 0.31 bar."},
	} {
		if got := c.alarm.Text(c.q, textClock, textNow); got != c.want {
			t.Errorf("%s:\n%q, want\n%q", c.name, got, c.want)
		}
	}
	if got, want := lowOil(AlarmUnacknowledged, 31e3).Text(Pressure, Clock{}, textNow), "40 s ago: fell to 0.39 bar (limit 0.40). Now 0.31 bar."; got != want {
		t.Errorf("without a clock: %q, want %q", got, want)
	}
	if got, want := lowOil(AlarmUnacknowledged, 31e3).Text(Pressure, Clock{}, Instant{Boot: 2}),
		"before the last start of the computer: fell to 0.39 bar (limit 0.40). Now 0.31 bar."; got != want {
		t.Errorf("without a clock, after a restart: %q, want %q", got, want)
	}
}

func TestTheTextOfAnAlarmsEvent(t *testing.T) {
	event := func(from, to AlarmState, now float64) AlarmEvent {
		return AlarmEvent{At: textNow, From: from, To: to, Raised: textAt, Crossing: Crossing{39e3, 40e3, Good, ""}, Value: now, Quality: Good}
	}
	stopped := event(AlarmUnacknowledged, AlarmLatchedUnacknowledged, 0)
	stopped.Why = "nothing to watch for at standstill"
	for _, c := range []struct {
		event AlarmEvent
		want  string
	}{
		{event(AlarmNormal, AlarmUnacknowledged, 39e3), "14:02:11 UTC fell to 0.39 bar (limit 0.40)."},
		{event(AlarmUnacknowledged, AlarmLatchedUnacknowledged, 320e3), "14:02:11 UTC fell to 0.39 bar (limit 0.40). Now 3.20 bar: back to normal."},
		{stopped, "14:02:11 UTC fell to 0.39 bar (limit 0.40). Now 0.00 bar; over: nothing to watch for at standstill."},
		{event(AlarmUnacknowledged, AlarmAcknowledged, 31e3), ""},
		{event(AlarmAcknowledged, AlarmNormal, 320e3), ""},
	} {
		if got := c.event.Text(Pressure, textClock); got != c.want {
			t.Errorf("%s to %s: %q, want %q", c.event.From, c.event.To, got, c.want)
		}
	}
}
