package running

import (
	"testing"
	"time"

	"tickover/model"
)

// history builds events from (boot, seconds, state) rows.
type row struct {
	boot    uint32
	seconds float64
	state   model.EngineState
}

func history(rows ...row) (events []model.Event) {
	from := model.EngineUnknown
	for i, r := range rows {
		events = append(events, model.Event{
			Seq: uint64(i + 1), At: instant(r.boot, r.seconds), Kind: model.EngineEvent,
			Engine: &model.StateChange{From: from, To: r.state, Evidence: "test"},
		})
		from = r.state
	}
	return events
}

func instant(boot uint32, seconds float64) model.Instant {
	return model.Instant{Boot: boot, Offset: time.Duration(seconds * float64(time.Second))}
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

var start = []row{
	{1, 0, model.Standstill}, {1, 100, model.Cranking}, {1, 104, model.RunningUp}, {1, 108, model.Unloaded},
	{1, 200, model.Loaded}, {1, 500, model.Unloaded}, {1, 600, model.RunningDown}, {1, 610, model.Standstill},
}

func one(t *testing.T, runs []model.Run) model.Run {
	t.Helper()
	if len(runs) != 1 {
		t.Fatalf("%d runs: %+v", len(runs), runs)
	}
	return runs[0]
}

func TestRunFromCrankToHalfAnHourAfter(t *testing.T) {
	r := one(t, Runs(history(start...), instant(1, 9000)))
	if r.ID != "1" || r.Open || r.Started != instant(1, 90) || r.Cranked != instant(1, 100) ||
		r.Stopped != instant(1, 610) || r.Ended != instant(1, 610+1800) {
		t.Errorf("cut wrongly: %+v", r)
	}
	if r.Cranks != 1 || r.Starts != 1 || r.Running != seconds(496) || r.Loaded != seconds(300) || r.CutShort != "" {
		t.Errorf("counted wrongly: %+v", r)
	}
	if len(r.States) != 8 || r.States[0].From != r.Started || r.States[7].To != r.Ended {
		t.Errorf("spans %+v", r.States)
	}
	for i := 1; i < len(r.States); i++ {
		if r.States[i].From != r.States[i-1].To {
			t.Errorf("a gap before span %d", i)
		}
	}
}

func TestRunStaysOpenForHalfAnHour(t *testing.T) {
	r := one(t, Runs(history(start...), instant(1, 610+1799)))
	if !r.Open || !r.Ended.IsZero() || r.Stopped != instant(1, 610) {
		t.Errorf("after 29:59 %+v", r)
	}
	if r = one(t, Runs(history(start...), instant(1, 610+1800))); r.Open {
		t.Errorf("after 30:00 %+v", r)
	}
	if r = one(t, Runs(history(start[:5]...), instant(1, 300))); !r.Open || !r.Stopped.IsZero() || r.Loaded != seconds(100) {
		t.Errorf("while loaded %+v", r)
	}
}

func TestCranksWithinHalfAnHourAreOneRun(t *testing.T) {
	rows := append([]row{{1, 0, model.Standstill}, {1, 20, model.Cranking}, {1, 30, model.Standstill}}, start[1:]...)
	r := one(t, Runs(history(rows...), instant(1, 9000)))
	if r.Cranks != 2 || r.Starts != 1 || r.Cranked != instant(1, 20) || r.Started != instant(1, 10) {
		t.Errorf("%+v", r)
	}
	rows = append(start, row{1, 610 + 1799, model.Cranking}, row{1, 610 + 1805, model.Standstill})
	if r = one(t, Runs(history(rows...), instant(1, 9000))); r.Cranks != 2 || r.Stopped != instant(1, 610+1805) {
		t.Errorf("%+v", r)
	}
	rows = append(start, row{1, 610 + 1805, model.Cranking}, row{1, 610 + 1815, model.Standstill})
	runs := Runs(history(rows...), instant(1, 9000))
	if len(runs) != 2 || runs[1].ID != "2" || runs[1].Started != runs[0].Ended || runs[1].Cranks != 1 || runs[1].Starts != 0 {
		t.Errorf("%+v", runs)
	}
}

func TestUnknownInTheMiddleDoesNotPartARun(t *testing.T) {
	rows := append(append([]row{}, start[:5]...), row{1, 210, model.EngineUnknown}, row{1, 3000, model.Loaded},
		row{1, 3100, model.RunningDown}, row{1, 3110, model.Standstill})
	r := one(t, Runs(history(rows...), instant(1, 9000)))
	if r.Cranks != 1 || r.Starts != 1 || r.Loaded != seconds(110) {
		t.Errorf("%+v", r)
	}
}

func TestRebootInTheMiddle(t *testing.T) {
	boots := []model.Boot{{Number: 1, First: 0, Last: seconds(400)}, {Number: 2, First: seconds(15), Last: seconds(9000)}}
	rows := append(append([]row{}, start[:5]...), row{2, 20, model.Loaded}, row{2, 100, model.RunningDown}, row{2, 110, model.Standstill})
	r := one(t, Runs(history(rows...), instant(2, 9000), boots...))
	if r.Starts != 1 || r.Cranks != 1 || r.Loaded != seconds(200+80) || r.CutShort != "" ||
		r.Stopped != instant(2, 110) || r.Ended != instant(2, 1910) {
		t.Errorf("%+v", r)
	}
	// Without the table of boots the first boot ends with its last event.
	if r = one(t, Runs(history(rows...), instant(2, 9000))); r.Loaded != seconds(80) {
		t.Errorf("without boots %+v", r)
	}
}

func TestStopDuringPowerFailureIsCutShort(t *testing.T) {
	boots := []model.Boot{{Number: 1, Last: seconds(400)}, {Number: 2, First: seconds(15), Last: seconds(9000)}}
	rows := append(append([]row{}, start[:5]...), row{2, 20, model.Standstill})
	r := one(t, Runs(history(rows...), instant(2, 9000), boots...))
	if r.CutShort == "" || r.Loaded != seconds(200) || r.Stopped != instant(2, 20) || r.Open {
		t.Errorf("%+v", r)
	}
	if r = one(t, Runs(history(start[:5]...), instant(2, 9000), boots...)); r.CutShort == "" || r.Open || r.Ended != instant(1, 400) {
		t.Errorf("never heard of again: %+v", r)
	}
}

// With both clocks known the night between two boots counts; without, it can
// not be told from a brown-out of some seconds.
func TestNightBetweenBoots(t *testing.T) {
	rows := append(append([]row{}, start...), row{2, 20, model.Standstill}, row{2, 60, model.Cranking}, row{2, 64, model.RunningUp})
	boots := []model.Boot{{Number: 1, Last: seconds(700)}, {Number: 2, First: seconds(15), Last: seconds(100)}}
	if r := one(t, Runs(history(rows...), instant(2, 100), boots...)); r.Cranks != 2 || r.Starts != 2 {
		t.Errorf("clocks unknown: %+v", r)
	}
	boots[0].Estimates = []model.ClockEstimate{{Wall: 0, Source: model.ClockSynchronised}}
	boots[1].Estimates = []model.ClockEstimate{{Wall: int64(12 * time.Hour), Source: model.ClockPhone}}
	runs := Runs(history(rows...), instant(2, 100), boots...)
	if len(runs) != 2 || runs[0].Ended != instant(1, 700) || runs[1].Started != instant(2, 50) || runs[1].Starts != 1 {
		t.Errorf("clocks known: %+v", runs)
	}
}

func TestRunsOfNothing(t *testing.T) {
	if runs := Runs(nil, model.Instant{}); len(runs) != 0 {
		t.Errorf("%+v", runs)
	}
	if runs := Runs(history(row{1, 0, model.Standstill}), instant(1, 1e6)); len(runs) != 0 {
		t.Errorf("%+v", runs)
	}
	r := one(t, Runs(history(row{1, 3, model.Loaded}), instant(1, 60)))
	if r.Cranks != 0 || r.Starts != 0 || !r.Cranked.IsZero() || r.Started != instant(1, 0) {
		t.Errorf("joined while it ran: %+v", r)
	}
}
