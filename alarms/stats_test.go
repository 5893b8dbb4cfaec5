package alarms

import (
	"testing"
	"time"

	"tickover/model"
)

// raisedAt is an alarm that comes at a moment of a boot and goes 5 s later.
func raisedAt(rule string, boot uint32, at time.Duration, p model.Priority) []model.AlarmEvent {
	i := model.Instant{Boot: boot, Offset: at}
	return []model.AlarmEvent{
		{Rule: rule, Label: rule, Priority: p, At: i, From: model.AlarmNormal,
			To: model.AlarmUnacknowledged},
		{Rule: rule, Label: rule, Priority: p, At: i.Add(time.Second),
			From: model.AlarmUnacknowledged, To: model.AlarmAcknowledged, Who: "Ada"},
		{Rule: rule, Label: rule, Priority: p, At: i.Add(5 * time.Second),
			From: model.AlarmAcknowledged, To: model.AlarmNormal},
	}
}

// Worked by hand: 15 min of one boot, then 20 min of another, are three whole
// spans and 5 min. A flood by ISA-18.2 is more than ten in ten minutes.
func TestRatesCountLoggedTimeOnly(t *testing.T) {
	boots := []model.Boot{{Number: 1, First: time.Hour, Last: time.Hour + 15*time.Minute},
		{Number: 2}}
	var events []model.AlarmEvent
	for i := range 11 { // 0 to 5 min
		events = append(events, raisedAt("often", 1, time.Hour+time.Duration(i)*30*time.Second,
			model.Warning)...)
	}
	// 15 min
	events = append(events, raisedAt("once", 2, time.Second, model.Critical)...)
	// 31 min, after the third span
	events = append(events, raisedAt("late", 2, 16*time.Minute, model.Information)...)
	events = append(events, model.AlarmEvent{Rule: "once", Label: "once",
		At:   model.Instant{Boot: 2, Offset: 17 * time.Minute},
		From: model.AlarmAcknowledged, To: model.AlarmAcknowledged})
	s := Stats(events, boots, model.Instant{Boot: 2, Offset: 20 * time.Minute})
	if s.Logged != 35*time.Minute || s.Spans != 3 || s.Raised != 13 || s.Peak != 11 ||
		s.Floods != 1 || s.Average != 4 {
		t.Errorf("%+v", s)
	}
	if s.ByPriority != [3]int{1, 11, 1} {
		t.Errorf("by priority %v", s.ByPriority)
	}
	if len(s.Top) != 3 || s.Top[0] != (model.AlarmCount{Rule: "often", Label: "often", Times: 11}) {
		t.Errorf("top %+v", s.Top)
	}
	if len(s.Stale) != 0 {
		t.Errorf("stale %+v", s.Stale)
	}
	if short := Stats(nil, boots[1:], model.Instant{Boot: 2,
		Offset: 9 * time.Minute}); short.Spans != 0 {
		t.Errorf("nine minutes give %d spans", short.Spans)
	}
}

// Eleven alarms within two minutes about a ten-minute mark are in no span a
// flood, and still the most in any ten minutes. Of an alarm ten minutes old to
// the instant nothing is left.
func TestThePeakHidesAcrossNoMark(t *testing.T) {
	var events []model.AlarmEvent
	for i := range 11 { // the sixth at ten minutes
		events = append(events, raisedAt("x", 1, 9*time.Minute+time.Duration(i)*12*time.Second,
			model.Warning)...)
	}
	events = append(events, raisedAt("x", 1, 19*time.Minute, model.Warning)...)
	if s := Stats(events, []model.Boot{{Number: 1}},
		model.Instant{Boot: 1, Offset: time.Hour}); s.Peak != 11 || s.Floods != 0 {
		t.Errorf("a peak of %d, %d floods", s.Peak, s.Floods)
	}
}

// Two changes in a minute are none too many, three are; a person's act is none.
func TestChatteringIsThreeChangesInAMinute(t *testing.T) {
	boots := []model.Boot{{Number: 1}}
	now := model.Instant{Boot: 1, Offset: time.Hour}
	calm := append(raisedAt("x", 1, 0, model.Warning),
		raisedAt("x", 1, time.Minute, model.Warning)...)
	if s := Stats(calm, boots, now); len(s.Chattering) != 0 {
		t.Errorf("calm: %+v", s.Chattering)
	}
	quick := append(raisedAt("x", 1, 0, model.Warning),
		raisedAt("x", 1, 50*time.Second, model.Warning)...)
	if s := Stats(quick, boots, now); len(s.Chattering) != 1 || s.Chattering[0].Times != 4 {
		t.Errorf("quick: %+v", s.Chattering)
	}
}

// An alarm that has stood for a day of logged time is stale, over a boot that
// was off for longer too, until it goes or is put aside.
func TestStaleIsADayOfLoggedTime(t *testing.T) {
	boots := []model.Boot{{Number: 1, Last: 20 * time.Hour}, {Number: 2}}
	come := model.AlarmEvent{Rule: "x", Label: "x",
		At: model.Instant{Boot: 1, Offset: 10 * time.Hour}, To: model.AlarmUnacknowledged}
	at := func(h time.Duration) model.Instant {
		return model.Instant{Boot: 2,
			Offset: h * time.Hour}
	}
	if s := Stats([]model.AlarmEvent{come}, boots, at(13)); len(s.Stale) != 0 {
		t.Errorf("after 23 h: %+v", s.Stale)
	}
	if s := Stats([]model.AlarmEvent{come}, boots, at(15)); len(s.Stale) != 1 ||
		s.Stale[0].For != 25*time.Hour {
		t.Errorf("after 25 h: %+v", s.Stale)
	}
	aside := model.AlarmEvent{Rule: "x", Label: "x", At: at(14), From: model.AlarmUnacknowledged,
		To: model.AlarmShelved, Who: "Ada"}
	if s := Stats([]model.AlarmEvent{come, aside}, boots, at(15)); len(s.Stale) != 0 {
		t.Errorf("shelved: %+v", s.Stale)
	}
}
