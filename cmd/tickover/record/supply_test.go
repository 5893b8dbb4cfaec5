package record

import (
	"strings"
	"testing"
	"time"

	"tickover/alarms"
	"tickover/model"
)

// resting is a set that has stood so long with so many volts.
func resting(volts float64, stood time.Duration) *model.Snapshot {
	now := model.Instant{Boot: 1, Offset: 100 * time.Hour}
	return &model.Snapshot{At: now, State: model.Standstill, Since: now.Add(-stood), Readings: map[model.PointID]model.Reading{
		model.BatteryVoltage: {Sample: model.GoodSample(model.BatteryVoltage, volts), At: now, Good: now}}}
}

// By hand: 12.4 V at rest is three quarters; 25 Ah at 5/12.4 A last 62 h. What
// cannot be known yet is told as undefined, the draw is told always.
func TestTheDrawOnTheStarterBattery(t *testing.T) {
	supply := model.Supply{Starter: true, Power: 5, Capacity: 100}
	for _, c := range []struct {
		why          string
		snap         *model.Snapshot
		charge, left float64 // -1: not determined
	}{
		{"three quarters", resting(12.4, 9*time.Hour), 0.75, 62 * 3600},
		{"half", resting(12.2, 9*time.Hour), 0.5, 0},
		{"surface charge", resting(12.4, 7*time.Hour), -1, -1},
		{"a charger", resting(13.5, 9*time.Hour), -1, -1},
		{"nothing measured", &model.Snapshot{State: model.Standstill, Since: resting(0, 9*time.Hour).Since}, -1, -1},
	} {
		w := SupplyWatch{supply, 12, func() *model.Snapshot { return c.snap }}
		scan := &model.Scan{At: model.Instant{Boot: 1, Offset: 100 * time.Hour}}
		w.Step(scan)
		if draw, _ := scan.Find(model.HostSupplyDraw); draw.Value != 5 || draw.Quality != model.Good {
			t.Errorf("%s: the draw is %+v", c.why, draw)
		}
		for id, want := range map[model.PointID]float64{model.HostSupplyCharge: c.charge, model.HostSupplyLeft: c.left} {
			s, ok := scan.Find(id)
			undefined := s.Quality == model.Bad && s.Cause == model.Undefined
			if !ok || undefined != (want < 0) || want >= 0 && (s.Value-want > 1e-3 || want-s.Value > 1e-3) {
				t.Errorf("%s: %s is %+v, want %g", c.why, id, s, want)
			}
		}
	}
	scan := &model.Scan{}
	SupplyWatch{latest: func() *model.Snapshot { return resting(12, time.Hour) }}.Step(scan)
	if len(scan.Samples) > 0 {
		t.Errorf("a logger with another supply tells %+v", scan.Samples)
	}
}

// The advice comes at half charge, and a day before it.
func TestTheAdviceToSaveTheBattery(t *testing.T) {
	setup := model.Setup{Rating: model.Rating{Battery: 24}, Devices: []model.Device{{Name: "engine", Points: []model.Point{{ID: model.BatteryVoltage, Quantity: model.Voltage}}}}}
	w := SupplyWatch{model.Supply{Starter: true, Power: 5, Capacity: 100}, 24, nil}
	machine := alarms.New(w.rules(setup))
	raised := map[string]bool{}
	for minute := range 30 {
		scan := &model.Scan{At: model.Instant{Boot: 1, Offset: time.Duration(minute) * time.Minute}}
		scan.Samples = []model.Sample{model.GoodSample(model.BatteryVoltage, 24.3), model.GoodSample(model.HostSupplyLeft, 80000), model.GoodSample(model.EngineStatePoint, float64(model.Standstill))}
		for _, e := range machine.Step(scan) {
			raised[e.Rule] = raised[e.Rule] || e.To == model.AlarmUnacknowledged
		}
	}
	if !raised["logger.battery.half"] || !raised["logger.battery.day"] || len(raised) != 2 {
		t.Errorf("raised: %v", raised)
	}
	for _, r := range w.rules(setup) {
		if !strings.Contains(r.Action, "sudo poweroff") || r.Basis == "" || r.Priority > model.Warning {
			t.Errorf("%+v is no advice", r)
		}
	}
	w.supply.Capacity = 0
	if n := len(w.rules(setup)); n != 1 {
		t.Errorf("without the capacity %d rules watch", n)
	}
	w.supply.Starter = false
	if n := len(w.rules(setup)); n != 0 {
		t.Errorf("with another supply %d rules watch", n)
	}
}
