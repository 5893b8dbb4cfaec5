package performance

import (
	"strings"
	"testing"

	"tickover/model"
)

// crankRun is a run with two cranks by a vote that comes 1.5 s late, and a
// battery and an oil pressure that change at true times.
func crankRun(pressure func(t float64) float64) Input {
	in := Input{Rating: model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50, Poles: 4, Battery: 12}}
	in.Run = model.Run{ID: "1", Started: instant(50)}
	for _, s := range []struct {
		state    model.EngineState
		from, to float64
	}{{model.Standstill, 50, 101.5}, {model.Cranking, 101.5, 106}, {model.Standstill, 106, 241.5}, {model.Cranking, 241.5, 246}, {model.Idling, 246, 400}} {
		in.Run.States = append(in.Run.States, model.StateSpan{State: s.state, From: instant(s.from), To: instant(s.to)})
	}
	in.Scans = func(yield func(*model.Scan, error) bool) {
		for t := 50.0; t < 400; t += 0.5 {
			battery, speed := 12.6, 0.0
			switch {
			case t >= 100 && t < 105, t >= 240 && t < 244:
				battery, speed = 10.2, 3
			case t >= 244:
				battery, speed = 13.9, 20
			}
			if !yield(&model.Scan{Group: "engine/500ms", At: instant(t), Samples: []model.Sample{
				model.GoodSample(model.BatteryVoltage, battery), model.GoodSample(model.OilPressure, pressure(t)),
				model.GoodSample(model.SpeedPoint, speed), model.GoodSample(model.AmbientTemperature, 4)}}, nil) {
				return
			}
		}
	}
	return in
}

func figureOf(t *testing.T, list []model.Figure, name string) model.Figure {
	t.Helper()
	for _, f := range list {
		if f.Name == name {
			return f
		}
	}
	t.Fatalf("no figure %q", name)
	return model.Figure{}
}

// The battery bounds the crank though the vote came late: 5 s and 4 s of
// cranking, speed 4 s after the starter bit, oil 2 s after it.
func TestCrankByBattery(t *testing.T) {
	rec := record(t, crankRun(func(s float64) float64 {
		if s >= 102 && s < 110 || s >= 242 {
			return 2e5
		}
		return 0
	}))
	for i, want := range []map[string]float64{
		{"crank time": 5, "time to first oil pressure": 2},
		{"crank time": 4, "time to self-sustained speed": 4, "time to first oil pressure": 2},
	} {
		for name, truth := range want {
			f := figureOf(t, rec.FirstStart[i].Figures, name)
			if !f.Known || f.Low > truth || f.High < truth || f.High-f.Low > 4*0.5+comesBack+0.01 {
				t.Errorf("crank %d, %s: %+v, the truth is %v", i+1, name, f, truth)
			}
		}
		volts := figureOf(t, rec.FirstStart[i].Figures, "battery mean while cranking")
		if volts.Limit != "≥ 9.3 V" || volts.Verdict != model.Within {
			t.Errorf("mean volts at 4 °C: %+v", volts)
		}
	}
}

// Pressure that stands from the crank before is said to, not timed as 0 s.
func TestPressureStoodAlready(t *testing.T) {
	rec := record(t, crankRun(func(s float64) float64 {
		if s >= 102 {
			return 1.5e5
		}
		return 0
	}))
	f := figureOf(t, rec.FirstStart[1].Figures, "time to first oil pressure")
	if f.Known || !strings.Contains(f.Reason, "already above this level before the crank") {
		t.Errorf("%+v", f)
	}
	if !strings.Contains(rec.Findings[1], "oil pressure 1 bar not determined: already above") {
		t.Errorf("%q", rec.Findings[1])
	}
}
