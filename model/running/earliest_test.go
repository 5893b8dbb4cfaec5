package running

import (
	"testing"
	"time"

	"tickover/model"
	"tickover/model/plant"
)

// The running time counts from the last reading that spoke against running, not
// from when the state was voted: answers lost on the way do not shorten it.
func TestRunningTimeCountsFromTheLastContraryReading(t *testing.T) {
	e := New(plant.HatcheryRating())
	poll := func(second int, samples ...model.Sample) (time.Duration, bool) {
		scan := &model.Scan{At: model.Instant{Boot: 1, Offset: time.Duration(second) * time.Second}, Samples: samples}
		e.Derive(scan)
		s, ok := scan.Find(model.RunningTime)
		return time.Duration(s.Value * float64(time.Second)), ok
	}
	speed := func(v float64) model.Sample { return model.GoodSample(model.SpeedPoint, v) }
	battery := func(v float64) model.Sample { return model.GoodSample(model.BatteryVoltage, v) }
	for second := range 10 {
		poll(second, speed(0), battery(12.6))
	}
	poll(10, speed(2), battery(9.8))
	if d, ok := poll(11, speed(3), battery(9.9)); ok {
		t.Errorf("a crank has a running time of %s", d)
	}
	lost := []model.Sample{model.BadSample(model.SpeedPoint, model.NoAnswer), model.BadSample(model.BatteryVoltage, model.NoAnswer)}
	poll(12, lost...)
	poll(13, lost...)
	poll(14, speed(20), battery(13.2))
	if d, ok := poll(15, speed(25), battery(13.6)); !ok || d != 4*time.Second {
		t.Errorf("at 15 s it is %s, %v; the last contrary reading was at 11 s", d, ok)
	}
	// Sensors that speak against it later, as one that dies at 0 does, change
	// nothing while it runs.
	if d, ok := poll(16, speed(25), battery(12.2)); !ok || d != 5*time.Second {
		t.Errorf("at 16 s it is %s, %v", d, ok)
	}
}

// A battery on a mains charger does not show rest. What nothing shows is bounded,
// so that a start is not taken for hours old.
func TestRunningTimeUnseenIsBounded(t *testing.T) {
	e := New(plant.HatcheryRating())
	var found time.Duration
	for second := range 100 {
		volts := 12.6
		if second > 5 {
			volts = 13.6
		}
		samples := []model.Sample{model.GoodSample(model.BatteryVoltage, volts), model.GoodSample(model.OilPressure, 0)}
		if second > 80 {
			samples = append(samples, model.GoodSample(model.FrequencyPoint, 50+float64(second%2)/10), model.GoodSample(model.VoltageL1N, 230))
		}
		scan := &model.Scan{At: model.Instant{Boot: 1, Offset: time.Duration(second) * time.Second}, Samples: samples}
		change := e.Derive(scan)
		if s, ok := scan.Find(model.RunningTime); ok && change != nil && found == 0 {
			found = time.Duration(s.Value * float64(time.Second))
		}
	}
	if found != longestUnseen {
		t.Errorf("the engine is said to have run unseen for %s, want %s", found, longestUnseen)
	}
}
