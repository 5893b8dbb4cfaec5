package alarms

import (
	"testing"
	"time"

	"tickover/model"
)

// The daemon says of each round first whether the device answers, at the very
// instant of its scan: the time counted for starter, overload and rotor must not
// be lost to that.
func TestTimeIsCountedThoughTheDeviceSpeaksFirst(t *testing.T) {
	m := New(whole())
	at := model.Instant{Boot: 1}
	play := func(state model.EngineState, seconds int, more ...model.Sample) {
		for range seconds {
			at = at.Add(time.Second)
			m.Device(at, "engine", true)
			m.Step(&model.Scan{At: at, Samples: append(more,
				model.GoodSample(model.EngineStatePoint, float64(state)))})
		}
	}
	play(model.Standstill, 5)
	play(model.Cranking, 20)
	if v := m.inputs[model.StarterTime].sample.Value; v != 20 {
		t.Errorf("20 s of cranking count as %v s", v)
	}
	play(model.Loaded, 600, model.GoodSample(model.NegativeCurrent, 0.2),
		model.GoodSample(model.LoadRatio, 1.05))
	if v := m.inputs[model.RotorHeat].sample.Value; v < 1.19 || v > 1.21 {
		t.Errorf("600 s of 20 %% heat the rotor to %.2f of what it bears, want 1.2", v)
	}
	if v := m.engine.above; v != 10*time.Minute {
		t.Errorf("600 s of overload count as %s", v)
	}
}

// Readings at rated power lie on either side of it: only clearly more counts.
func TestASoakAtRatedPowerUsesNoOverloadHourUp(t *testing.T) {
	for _, c := range []struct {
		load float64
		want time.Duration
	}{{1.019, 0}, {1.021, 10 * time.Minute}} {
		m, at := New(whole()), model.Instant{Boot: 1}
		for range 601 {
			at = at.Add(time.Second)
			m.Step(&model.Scan{At: at,
				Samples: []model.Sample{model.GoodSample(model.EngineStatePoint,
					float64(model.Loaded)),
					model.GoodSample(model.LoadRatio, c.load)}})
		}
		if m.engine.above != c.want {
			t.Errorf("ten minutes at %.1f %% count as %s of overload, want %s", 100*c.load,
				m.engine.above, c.want)
		}
	}
}
