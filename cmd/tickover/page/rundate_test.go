package page

import (
	"testing"
	"time"

	"tickover/model"
)

// A run that no clock vouches for is listed before the boot that one does.
func TestRunsMarkADateThatNothingVouchesFor(t *testing.T) {
	clock := model.Clock{Boots: []model.Boot{
		{Number: 1, Estimates: []model.ClockEstimate{{Source: model.ClockUnsynchronised}}},
		{Number: 2, Estimates: []model.ClockEstimate{{Wall: time.Date(2026, 11, 29, 12, 0, 0, 0, time.UTC).UnixNano(), Source: model.ClockSynchronised}}},
	}}
	got := runOf(model.Run{Started: model.Instant{Boot: 1}, Ended: model.Instant{Boot: 2, Offset: time.Hour}}, clock)
	if got.Date != "before 2026-11-29 12:00:00 UTC" || got.EndDate != "2026-11-29 13:00:00 UTC" {
		t.Errorf("%+v", got)
	}
}

// A span that reaches back beyond the boot does so only where both boots are
// dated by clocks that are vouched for.
func TestTrendsReachBackOnlyByVouchedClocks(t *testing.T) {
	day := time.Date(2026, 11, 29, 12, 0, 0, 0, time.UTC)
	at := model.Instant{Boot: 2, Offset: time.Minute}
	for _, c := range []struct {
		source model.ClockSource
		from   model.Instant
	}{
		{model.ClockUnsynchronised, model.Instant{Boot: 2}},
		{model.ClockRTC, model.Instant{Boot: 1, Offset: 9 * time.Minute}},
	} {
		clock := model.Clock{Boots: []model.Boot{
			{Number: 1, Last: 10 * time.Minute, Estimates: []model.ClockEstimate{{Wall: day.Add(-18 * time.Minute).UnixNano(), Source: c.source}}},
			{Number: 2, Last: time.Minute, Estimates: []model.ClockEstimate{{Wall: day.UnixNano(), Source: model.ClockSynchronised}}},
		}}
		q, err := (&server{}).window(nil, trendSpan{long: 10 * time.Minute}, at, clock)
		if err != nil || q.From != c.from {
			t.Errorf("%s: from %s, %v", c.source, q.From, err)
		}
	}
}
