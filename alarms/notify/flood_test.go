package notify

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// Of forty alarms at once people get the first ones, one summary, every
// critical one, and at the end how many there were; the second contact is not
// told of each either. The same alarm an hour later is told again.
func TestAFloodIsOneSummary(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t, []model.Route{{To: []string{"letter"}, Second: []string{"second"},
			Patience: time.Minute}}, "letter", "second")
		defer o.stop()
		summary := model.AlarmEvent{At: o.now(), Rule: "flood", Label: "Many alarms at once",
			Point: model.AlarmsRaised, Priority: model.Warning, To: model.AlarmUnacknowledged}
		o.raise("first", model.Warning)
		o.Offer([]model.AlarmEvent{summary})
		standing := []model.AlarmStatus{awaiting("first", model.Warning, o.now()),
			awaiting("flood", model.Warning, o.now())}
		for i := range 40 {
			e := model.AlarmEvent{At: o.now(), Rule: fmt.Sprintf("r%d", i), Priority: model.Warning,
				To: model.AlarmUnacknowledged, Flood: true}
			back := e
			back.From, back.To, back.Flood = e.To, model.AlarmReturnedUnacknowledged, false
			o.Offer([]model.AlarmEvent{e, back})
			standing = append(standing, awaiting(e.Rule, model.Warning, o.now()))
		}
		o.raise("oil", model.Critical)
		o.show(&model.Snapshot{Alarms: standing})
		pass(2 * time.Minute)
		over := summary
		over.From, over.To = summary.To, model.AlarmReturnedUnacknowledged
		o.Offer([]model.AlarmEvent{over})
		pass(time.Hour)
		o.raise("r7", model.Warning)
		pass(time.Minute)
		got := o.boxes["letter"].texts()
		want := []string{"first: raised.", "Many alarms at once: raised.", "oil: raised.",
			"Many alarms at once: raised. Back to normal; now no good reading. Reset it. 40 " +
				"alarms were not sent one by one: see the list of alarms.", "r7: raised."}
		if !slices.Equal(got, want) {
			t.Errorf("told %q, want %q", got, want)
		}
		second := strings.Join(o.boxes["second"].texts(), "\n")
		if strings.Count(second, "not acknowledged, raised") != 3 ||
			!strings.Contains(second, ": r7: ") {
			t.Errorf("the second contact is told:\n%s", second)
		}
	})
}

// A restart in the middle of a flood forgets neither how many alarms were held
// back nor which, and none of them is told to the second contact.
func TestARestartForgetsNothingThatAFloodHeldBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t, []model.Route{{Least: model.Information, To: []string{"letter"},
			Second: []string{"second"}, Patience: time.Minute}}, "letter", "second")
		summary := model.AlarmEvent{At: o.now(), Rule: "flood", Label: "Many alarms at once",
			Point: model.AlarmsRaised, Priority: model.Warning, To: model.AlarmUnacknowledged}
		held := model.AlarmEvent{At: o.now(), Rule: "held", Priority: model.Warning,
			To: model.AlarmUnacknowledged, Flood: true}
		o.Offer([]model.AlarmEvent{summary, held, held})
		pass(time.Second)
		o.stop()
		o.open()
		defer func() { o.stop() }()
		o.show(&model.Snapshot{Alarms: []model.AlarmStatus{awaiting("held", model.Warning,
			o.now())}})
		pass(2 * time.Minute)
		back, over := held, summary
		back.From, back.To, back.Flood, back.At = held.To, model.AlarmReturnedUnacknowledged, false,
			o.now()
		over.From, over.To, over.At = summary.To, model.AlarmReturnedUnacknowledged, o.now()
		o.Offer([]model.AlarmEvent{back, over})
		pass(time.Minute)
		got := strings.Join(o.boxes["letter"].texts(), "\n")
		if !strings.Contains(got, " 2 alarms were not sent one by one") ||
			strings.Contains(got, "held") {
			t.Errorf("told after the restart:\n%s", got)
		}
		if second := o.boxes["second"].texts(); len(second) != 0 {
			t.Errorf("the second contact is told %q", second)
		}
	})
}

// What is shown under another alarm is no message of its own, nor is its return;
// one that outlives the other is.
func TestWhatIsShownUnderAnotherAlarmIsNoMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t, []model.Route{{To: []string{"letter"}}}, "letter")
		defer o.stop()
		o.raise("line", model.Warning)
		for _, rule := range []string{"one", "two"} {
			o.Offer([]model.AlarmEvent{{At: o.now(), Rule: rule, Priority: model.Warning,
				To: model.AlarmUnacknowledged, Under: "line"}})
		}
		o.Offer([]model.AlarmEvent{{At: o.now(), Rule: "three", Priority: model.Warning,
			Unwatched: true, Why: "no answer", Under: "line"}})
		o.Offer([]model.AlarmEvent{{At: o.now(), Rule: "one", Priority: model.Warning,
			From: model.AlarmUnacknowledged, To: model.AlarmReturnedUnacknowledged}})
		o.Offer([]model.AlarmEvent{{At: o.now(), Rule: "two", Priority: model.Warning,
			From: model.AlarmUnacknowledged, To: model.AlarmUnacknowledged,
			Alone: true, Why: "line is over, this is not"}})
		pass(time.Minute)
		got := o.boxes["letter"].texts()
		if want := []string{"line: raised.", "two: line is over, this is not"}; !slices.Equal(got,
			want) {
			t.Errorf("told %q, want %q", got, want)
		}
	})
}
