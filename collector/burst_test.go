package collector

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// TestBurst cranks at 20 s and reaches rated speed at 25 s: the fast points
// are polled as fast as the line allows from the first sign to 60 s after
// rated speed, while the rest keeps its interval.
func TestBurst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		second := func() float64 { return time.Since(start).Seconds() }
		l := &scripted{takes: 25 * time.Millisecond}
		l.value = func(q model.ReadRequest) uint16 { // battery in tenths of a volt
			if s := second(); q.Unit == 2 && s > 20 && s < 23 {
				return 95
			}
			return 128
		}
		state := model.Standstill
		derive := func(scan *model.Scan) *model.StateChange {
			was, s := state, second()
			switch {
			case s > 25:
				state = model.Unloaded
			case s > 22:
				state = model.Cranking
			}
			if was != state {
				return &model.StateChange{From: was, To: state}
			}
			return nil
		}
		battery := point(model.BatteryVoltage, 0)
		battery.Register.Resolution, battery.Fast = model.Resolution{Num: 1, Den: 10}, true
		hertz := point(model.FrequencyPoint, 0)
		hertz.Fast = true
		engine := model.Device{Name: "engine", Line: "skid", Unit: 2, Points: []model.Point{battery, point("coolant", 1)}}
		meter := model.Device{Name: "meter", Line: "skid", Unit: 1, Points: []model.Point{hertz, point(model.VoltageL1N, 1)}}
		c, keep := newScripted(l, derive, engine, meter)
		runFor(c, 100*time.Second)
		var fast, slow [100]int
		for _, s := range keep.scans {
			at := min(int(s.At.Offset.Seconds())-1, 99)
			if strings.HasSuffix(s.Group, "/fast") {
				fast[at]++
				if _, there := s.Find(model.VoltageL1N); there {
					t.Error("a point is polled fast that is not to be")
				}
			} else {
				slow[at]++
			}
		}
		for at := range 100 {
			burst := at >= 21 && at < 85 // the dip is seen by the round of second 21 at the latest
			if burst && fast[at] < 35 || !burst && at != 20 && at != 85 && fast[at] > 0 {
				t.Errorf("second %d: %d fast scans", at, fast[at])
			}
			if slow[at] != 2 {
				t.Errorf("second %d: %d scans of the two slow groups", at, slow[at])
			}
		}
	})
}

// TestBurstCauses holds each sign against scans that give it and scans that
// do not.
func TestBurstCauses(t *testing.T) {
	for _, c := range []struct {
		name          string
		state         model.EngineState
		point         model.PointID
		before, after float64
		want          time.Duration
	}{
		{"key on", model.Standstill, model.KeyOn, 0, 1, afterKey},
		{"key stays on", model.Standstill, model.KeyOn, 1, 1, 0},
		{"starter draws", model.Standstill, model.BatteryVoltage, 12.8, 10.9, afterSign},
		{"battery sags", model.Standstill, model.BatteryVoltage, 12.8, 12.6, 0},
		{"charger off while running", model.Unloaded, model.BatteryVoltage, 14.1, 12.6, 0},
		{"shaft turns", model.Standstill, model.SpeedPoint, 0, 2, afterSign},
		{"voltage appears", model.Standstill, model.FrequencyPoint, 0, 30, afterSign},
		{"load step", model.Loaded, model.PowerActive, 10e3, 20e3, afterStep},
		{"load drifts", model.Loaded, model.PowerActive, 10e3, 11e3, 0},
		{"one phase is loaded", model.Loaded, model.CurrentL2, 10, 40, afterStep},
	} {
		b := newBurst(model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Battery: 12})
		scan := func(v float64, second int) *model.Scan {
			return &model.Scan{At: model.Instant{Boot: 1, Offset: time.Duration(second) * time.Second}, Samples: []model.Sample{model.GoodSample(c.point, v)}}
		}
		b.step(scan(c.before, 1), c.state)
		b.step(scan(c.before, 2), c.state)
		if got := b.step(scan(c.after, 3), c.state); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// TestBurstDoesNotIdleOn ends a burst that waits for a rated speed that does
// not come.
func TestBurstDoesNotIdleOn(t *testing.T) {
	b := newBurst(model.Rating{})
	at := func(d time.Duration) *model.Scan { return &model.Scan{At: model.Instant{Boot: 1, Offset: d}} }
	b.step(at(time.Second), model.Standstill)
	b.step(at(2*time.Second), model.Cranking)
	if b.step(at(5*time.Minute), model.Idling) != afterRated {
		t.Error("no burst while a start is under way")
	}
	if b.step(at(17*time.Minute), model.Idling) != 0 {
		t.Error("the burst goes on after 15 minutes of idling")
	}
	if b.step(at(18*time.Minute), model.Unloaded) != afterRated {
		t.Error("rated speed begins no burst")
	}
	if b.step(at(19*time.Minute), model.Unloaded) != 0 || b.step(at(20*time.Minute), model.Loaded) != afterStep {
		t.Error("taking load is a step, running on is none")
	}
}
