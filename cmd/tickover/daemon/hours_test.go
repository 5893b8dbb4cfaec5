package daemon

import (
	"testing"
	"time"

	"tickover/collector/metrics"
	"tickover/model"
)

func TestHoursCountWhatIsOnTheCard(t *testing.T) {
	now := model.Instant{Boot: 1}
	boots := []model.Boot{{Number: 1, Kernel: "a", Last: 40 * time.Minute}, {Number: 2, Kernel: "b"}}
	h := &hours{now: func() model.Instant { return now }, clock: func() model.Clock { return model.Clock{Boots: boots[:now.Boot]} }}
	at := func(boot uint32, d time.Duration, from, to model.EngineState) {
		now = model.Instant{Boot: boot, Offset: d}
		h.add(model.Event{At: now, Kind: model.EngineEvent, Engine: &model.StateChange{From: from, To: to}})
	}
	at(1, time.Minute, model.EngineUnknown, model.Standstill)
	at(1, 10*time.Minute, model.Standstill, model.Cranking)
	at(1, 10*time.Minute+3*time.Second, model.Cranking, model.RunningUp)
	at(1, 11*time.Minute, model.RunningUp, model.Unloaded)
	expect := func(what string, want metrics.Totals) {
		t.Helper()
		if got := h.count(); got != want {
			t.Errorf("%s: %+v, want %+v", what, got, want)
		}
	}
	now.Offset = 21 * time.Minute
	expect("ten seconds are not counted yet", metrics.Totals{Cranks: 1, Starts: 1, Running: 10*time.Minute + 47*time.Second})
	now.Offset += 9 * time.Second
	expect("within ten seconds nothing is counted anew", metrics.Totals{Cranks: 1, Starts: 1, Running: 10*time.Minute + 47*time.Second})
	at(1, 30*time.Minute, model.Unloaded, model.Loaded)
	now.Offset = 40 * time.Minute
	expect("load", metrics.Totals{Cranks: 1, Starts: 1, Running: 29*time.Minute + 47*time.Second, Loaded: 9*time.Minute + 50*time.Second})
	// The power fails; what the card holds of the first boot counts.
	at(2, time.Minute, model.EngineUnknown, model.Standstill)
	expect("after a power cut", metrics.Totals{Cranks: 1, Starts: 1, Running: 29*time.Minute + 57*time.Second, Loaded: 10 * time.Minute})
}
