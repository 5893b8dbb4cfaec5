package report

import (
	"html"
	"strings"
	"testing"
	"time"

	"tickover/model"
	"tickover/model/running"
)

// cutRecord is a run on a board without a clock battery: the power is cut on
// load, and the logger comes back at once or after an unknown time. The first
// boot's clock began in 1970, the second's is synchronised.
func cutRecord(changes ...model.Event) (*model.RunRecord, model.Clock) {
	wall := time.Date(2026, 11, 29, 15, 18, 0, 0, time.UTC)
	clock := model.Clock{Boots: []model.Boot{
		{Number: 1, Last: 227974 * time.Millisecond, Estimates: []model.ClockEstimate{{Source: model.ClockUnsynchronised}}},
		{Number: 2, First: 3 * time.Second, Last: time.Minute, Estimates: []model.ClockEstimate{{Wall: wall.UnixNano(), Source: model.ClockSynchronised}}},
	}}
	engine := func(boot uint32, s int, from, to model.EngineState) model.Event {
		return model.Event{At: model.Instant{Boot: boot, Offset: time.Duration(s) * time.Second}, Kind: model.EngineEvent,
			Engine: &model.StateChange{From: from, To: to, Evidence: "test"}}
	}
	events := append([]model.Event{engine(1, 1, model.EngineUnknown, model.Standstill), engine(1, 60, model.Standstill, model.Cranking),
		engine(1, 64, model.Cranking, model.RunningUp), engine(1, 68, model.RunningUp, model.Loaded)}, changes...)
	runs := running.Runs(events, model.Instant{Boot: 2, Offset: time.Minute}, clock.Boots...)
	return &model.RunRecord{Run: runs[0]}, clock
}

// What stood in the report: "498879:15:18 unknown", and "ended: still going on
// (cut short: power failed at 1+3m47.974s)".
func TestACutWithoutAClockBattery(t *testing.T) {
	rec, clock := cutRecord()
	text := strings.Join(strings.Fields(string(outputs(t, rec, clock, nil)["txt"])), " ")
	for _, want := range []string{
		"started before 2026-11-29 15:18:03 UTC",
		"ended before 2026-11-29 15:18:03 UTC: power failed while loaded; the time after it is not on record",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing", want)
		}
	}
	if strings.Contains(text, "still going on") || strings.Contains(text, "49887") || strings.Contains(text, "+3m47") {
		t.Errorf("%s", text)
	}
	if rec.Run.Open || rec.Run.Ended != (model.Instant{Boot: 1, Offset: 227974 * time.Millisecond}) {
		t.Errorf("the run is not over: %+v", rec.Run)
	}
}

// The set ran on: the states behind the cut count within their own boot, and
// the gap is named.
func TestARunGoesOnBehindAGapOfUnknownLength(t *testing.T) {
	on := model.Event{At: model.Instant{Boot: 2, Offset: 18 * time.Second}, Kind: model.EngineEvent,
		Engine: &model.StateChange{From: model.EngineUnknown, To: model.Loaded, Evidence: "test"}}
	rec, clock := cutRecord(on)
	for name, got := range outputs(t, rec, clock, nil) {
		text := html.UnescapeString(string(got))
		if strings.Contains(text, "49887") {
			t.Errorf("%s counts from 1970", name)
		}
		if name == "json" {
			continue
		}
		if !strings.Contains(text, "off for an unknown time") || !strings.Contains(text, "boot 2 + 0:00:18") {
			t.Errorf("%s does not name the gap:\n%s", name, text)
		}
	}
	clock.Boots[0].Estimates[0] = model.ClockEstimate{Wall: time.Date(2026, 11, 29, 15, 13, 0, 0, time.UTC).UnixNano(), Source: model.ClockRTC}
	if text := string(outputs(t, rec, clock, nil)["txt"]); !strings.Contains(text, "off for 1 min 12 s") || strings.Contains(text, "boot 2") {
		t.Errorf("both clocks are vouched for:\n%s", text)
	}
}
