package running

import (
	"testing"
	"time"

	"tickover/model"
)

// A set without a pickup whose meter lives on its own voltage: after one low
// frequency the meter is dark, and the key stays on. That nothing charges the
// battery any more shows the stop, within three readings of it.
func TestAStopShowsByTheChargeThatEnds(t *testing.T) {
	e := New(model.Rating{ApparentPower: 31e3, PowerFactor: 0.8, Voltage: 415, Frequency: 50, Poles: 4, Battery: 24})
	at := model.Instant{Boot: 1}
	step := func(volts, oil, hertz float64) model.EngineState {
		at = at.Add(time.Second)
		e.Step(&model.Scan{At: at, Samples: []model.Sample{model.GoodSample(model.BatteryVoltage, volts),
			model.GoodSample(model.OilPressure, oil), model.GoodSample(model.KeyOn, 1)}})
		var samples []model.Sample
		for _, p := range []model.PointID{model.FrequencyPoint, model.VoltageL1N} {
			switch {
			case hertz == 0:
				samples = append(samples, model.BadSample(p, model.NoAnswer))
			case p == model.FrequencyPoint:
				samples = append(samples, model.GoodSample(p, hertz))
			default:
				samples = append(samples, model.GoodSample(p, 240*hertz/50))
			}
		}
		at = at.Add(100 * time.Millisecond)
		state, _ := e.Step(&model.Scan{At: at, Samples: samples})
		return state
	}
	for range 30 {
		step(28.6, 3.2e5, 50.6)
	}
	if s := step(28.6, 3e5, 36); s != model.Unloaded {
		t.Fatalf("one low frequency alone: %s", s)
	}
	step(28.6, 2.1e5, 0)
	step(27.8, 1.6e5, 0)
	if s := step(27.2, 0.9e5, 0); s != model.RunningDown {
		t.Errorf("the meter is dark and nothing charges: %s, want running down", s)
	}
}
