package model

import (
	"fmt"
	"testing"
	"time"
)

func TestOnlyGraveEventsKeepABlackBox(t *testing.T) {
	at := Instant{Boot: 2, Offset: 10 * time.Minute}
	raised := AlarmEvent{Priority: Critical, From: AlarmNormal, To: AlarmUnacknowledged}
	e := Event{At: at, Alarm: &raised}
	if span := e.BlackBox(Clock{}); !e.Grave() || span != (Span{Instant{2, 5 * time.Minute}, Instant{2, 11 * time.Minute}}) {
		t.Errorf("a critical alarm keeps %v, %v", span, e.Grave())
	}
	if from := (Event{At: Instant{Boot: 2, Offset: time.Minute}, Alarm: &raised}).BlackBox(Clock{}).From; from != (Instant{Boot: 2}) {
		t.Errorf("soon after the first boot it begins at %s", from)
	}
	if !(Event{At: at, Engine: &StateChange{From: Loaded, To: RunningDown, Abrupt: true}}).Grave() {
		t.Error("an abrupt stop keeps no black box")
	}
	if (Event{At: at, Engine: &StateChange{From: Unloaded, To: RunningDown}}).Grave() {
		t.Error("an ordinary stop keeps a black box")
	}
	for name, a := range map[string]*AlarmEvent{
		"no alarm":           nil,
		"a warning":          {Priority: Warning, To: AlarmUnacknowledged},
		"an acknowledgement": {Priority: Critical, From: AlarmUnacknowledged, To: AlarmAcknowledged},
		"a loss of sight":    {Priority: Critical, From: AlarmUnacknowledged, To: AlarmUnacknowledged, Unwatched: true},
	} {
		if (Event{At: at, Alarm: a}).Grave() {
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
	for _, b := range BlackBoxes(events, Clock{}) {
		got += fmt.Sprintf("%d: %d, %s to %s, %v %v\n", b.ID, len(b.Causes), b.From, b.To, b.Holds(11), b.Holds(13))
	}
	if want := "10: 2, 1+5m0s to 1+17m0s, true false\n12: 1, 1+17m0.000000001s to 1+23m0.000000001s, false false\n13: 1, 2+18m0s to 2+24m0s, false true\n"; got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

// A computer that starts anew around an alarm: the box goes on in the boots
// before and after, by as much as the clocks leave of its time.
func TestABoxReachesAcrossBoots(t *testing.T) {
	const s, m = time.Second, time.Minute
	dated := func(number uint32, last time.Duration, began time.Duration, source ClockSource) Boot {
		return Boot{Number: number, Last: last, Estimates: []ClockEstimate{{Wall: int64(began), Source: source}}}
	}
	undated := []Boot{{Number: 1, Last: 10 * m}, {Number: 2, Last: 30 * s}, {Number: 3, Last: 40 * m}}
	for name, c := range map[string]struct {
		boots    []Boot
		at       Instant
		from, to Instant
	}{
		"within its boot":                       {undated, Instant{3, 20 * m}, Instant{3, 15 * m}, Instant{3, 21 * m}},
		"one boot back":                         {undated[1:], Instant{3, 5*m - 10*s}, Instant{2, 20 * s}, Instant{3, 6*m - 10*s}},
		"through a boot of 30 s":                {undated, Instant{3, 2 * m}, Instant{1, 7*m + 30*s}, Instant{3, 3 * m}},
		"from the end of a boot through two":    {undated, Instant{1, 10 * m}, Instant{1, 5 * m}, Instant{3, 30 * s}},
		"nothing before the first":              {undated, Instant{1, m}, Instant{Boot: 1}, Instant{1, 2 * m}},
		"the last boot is still going on":       {undated, Instant{3, 40 * m}, Instant{3, 35 * m}, Instant{3, 41 * m}},
		"off for 40 s by clocks that agree":     {[]Boot{dated(4, 10*m, 0, ClockSynchronised), dated(7, 9*m, 10*m+40*s, ClockRTC)}, Instant{7, m}, Instant{4, 10*m - 200*s}, Instant{7, 2 * m}},
		"off for 20 s after an alarm":           {[]Boot{dated(4, 10*m, 0, ClockSynchronised), dated(7, 9*m, 10*m+20*s, ClockRTC)}, Instant{4, 10*m - 10*s}, Instant{4, 5*m - 10*s}, Instant{7, 30 * s}},
		"off for days":                          {[]Boot{dated(4, 10*m, 0, ClockSynchronised), dated(7, 9*m, 72*time.Hour, ClockSynchronised)}, Instant{7, m}, Instant{Boot: 7}, Instant{7, 2 * m}},
		"off for days after an alarm":           {[]Boot{dated(4, 10*m, 0, ClockSynchronised), dated(7, 9*m, 72*time.Hour, ClockSynchronised)}, Instant{4, 10 * m}, Instant{4, 5 * m}, Instant{4, 11 * m}},
		"days by a clock nobody vouches for":    {[]Boot{dated(4, 10*m, 0, ClockSynchronised), dated(7, 9*m, 72*time.Hour, ClockUnsynchronised)}, Instant{7, m}, Instant{4, 6 * m}, Instant{7, 2 * m}},
		"a boot that began before the last end": {[]Boot{dated(4, 10*m, 0, ClockSynchronised), dated(7, 9*m, 5*m, ClockSynchronised)}, Instant{7, m}, Instant{4, 6 * m}, Instant{7, 2 * m}},
	} {
		if span := (Event{At: c.at}).BlackBox(Clock{c.boots}); span != (Span{c.from, c.to}) {
			t.Errorf("%s: %s to %s, want %s to %s", name, span.From, span.To, c.from, c.to)
		}
	}
}
