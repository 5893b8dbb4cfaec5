package alarms

import (
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// afterOneScan is a machine that has seen one scan.
func afterOneScan(state model.EngineState, readings map[model.PointID]float64) *Machine {
	m := New(whole())
	scan := &model.Scan{At: model.Instant{Boot: 1},
		Samples: []model.Sample{model.GoodSample(model.EngineStatePoint, float64(state))}}
	for p, v := range readings {
		scan.Samples = append(scan.Samples, model.GoodSample(p, v))
	}
	m.Step(scan)
	return m
}

// A set is at rest when each instrument that it has says so: the pickup below 0.3
// revolutions a second, the oil below 0.3 bar, the switch closed.
func TestASetIsAtRestWhenEveryInstrumentSaysSo(t *testing.T) {
	for _, c := range []struct {
		what        string
		state       model.EngineState
		readings    map[model.PointID]float64
		rest, known bool
	}{
		{"pickup 0.29", model.Standstill, map[model.PointID]float64{model.SpeedPoint: 0.29}, true,
			true},
		{"pickup 0.31", model.Standstill, map[model.PointID]float64{model.SpeedPoint: 0.31}, false,
			true},
		{"oil 0.29 bar", model.Standstill, map[model.PointID]float64{model.OilPressure: 29e3}, true,
			true},
		{"oil 0.31 bar", model.Standstill, map[model.PointID]float64{model.OilPressure: 31e3},
			false, true},
		{"pickup still, oil pressure there", model.Standstill,
			map[model.PointID]float64{model.SpeedPoint: 0, model.OilPressure: 3e5}, false, true},
		{"pickup still, switch open", model.Standstill,
			map[model.PointID]float64{model.SpeedPoint: 0, model.OilSwitch: 0}, false, true},
		{"pickup still, switch closed", model.Standstill,
			map[model.PointID]float64{model.SpeedPoint: 0, model.OilSwitch: 1}, true, true},
		{"the switch alone", model.Standstill, map[model.PointID]float64{model.OilSwitch: 1}, false,
			false},
		{"cranking", model.Cranking, map[model.PointID]float64{model.OilPressure: 0}, false, true},
		{"running down", model.RunningDown, map[model.PointID]float64{model.SpeedPoint: 0}, false,
			true},
		{"nothing", model.Standstill, nil, false, false},
	} {
		m := afterOneScan(c.state, c.readings)
		if rest, known := m.engine.rest.see(m); rest != c.rest && c.known || known != c.known {
			t.Errorf("%s: at rest %v, known %v; want %v, %v", c.what, rest, known, c.rest, c.known)
		}
	}
}

// A pickup that breaks on a running set shows a standstill: it counts only once the
// terminals are below 50 V as well.
func TestAPickupThatBreaksDoesNotStopASet(t *testing.T) {
	for volts, want := range map[float64]bool{230: false, 51: false, 49: true} {
		m := afterOneScan(model.Loaded, map[model.PointID]float64{model.SpeedPoint: 25,
			model.VoltageL1N: 230})
		m.Step(&model.Scan{At: model.Instant{Boot: 1, Offset: time.Second}, Samples: []model.Sample{
			model.GoodSample(model.SpeedPoint, 0), model.GoodSample(model.VoltageL1N, volts)}})
		if rest, _ := m.engine.rest.see(m); rest != want {
			t.Errorf("%v V at the terminals: at rest %v", volts, rest)
		}
	}
}

// A crank of 10 s counts, one of 9.9 s does not, and a start resets the count.
func TestACrankThatShouldHaveStartedIsTenSeconds(t *testing.T) {
	var c cranks
	crank := func(from, long time.Duration, then model.EngineState) {
		c.follow(model.Standstill, model.Cranking, model.Instant{Boot: 1, Offset: from})
		c.follow(model.Cranking, then, model.Instant{Boot: 1, Offset: from + long})
	}
	crank(time.Minute, 10*time.Second, model.Standstill)
	crank(2*time.Minute, 9900*time.Millisecond, model.Standstill)
	if c.failed != 1 {
		t.Errorf("%d failed starts, want 1", c.failed)
	}
	crank(3*time.Minute, 12*time.Second, model.RunningUp)
	if c.failed != 0 {
		t.Errorf("%d failed starts after it started", c.failed)
	}
}

// ISO 8528-1 allows the overload for one hour in twelve: a minute of it is paid for
// by eleven at or below rated power, and by nothing while the load is not seen.
func TestTheOverloadHourIsOneInTwelve(t *testing.T) {
	m, at := New(whole()), model.Instant{Boot: 1}
	run := func(d time.Duration, s model.Sample) float64 {
		for end := at.Add(d); at.Before(end); {
			at = at.Add(time.Second)
			m.Step(&model.Scan{At: at,
				Samples: []model.Sample{model.GoodSample(model.EngineStatePoint,
					float64(model.Loaded)), s}})
		}
		return m.engine.above.Seconds()
	}
	run(time.Second, model.GoodSample(model.LoadRatio, 1))
	if above := run(time.Minute, model.GoodSample(model.LoadRatio, 1.03)); above != 60 {
		t.Errorf("a minute above rated power counts %v s", above)
	}
	if above := run(5*time.Minute+30*time.Second,
		model.GoodSample(model.LoadRatio, 1)); above < 29.9 || above > 30.1 {
		t.Errorf("%v s are left after five and a half minutes at rated power, want 30", above)
	}
	// until it counts as not seen
	before := run(20*time.Second, model.BadSample(model.LoadRatio, model.NoAnswer))
	if above := run(time.Minute, model.BadSample(model.LoadRatio,
		model.NoAnswer)); above != before {
		t.Errorf("%v s are left of %v after a minute without a reading", above, before)
	}
}

// What the residual voltage means (common practice): 2 to 10 V is a residual.
func TestTheResidualSaysWhereToLook(t *testing.T) {
	for volts, want := range map[float64]string{0.99: "no residual", 1.01: "very low",
		1.99: "very low", 2.01: "residual voltage present",
		9.99: "residual voltage present", 10.01: "more than residual"} {
		if said := residualText(volts); !strings.HasPrefix(said, want) {
			t.Errorf("%v V: %q, want %q", volts, said, want)
		}
	}
}

// A tenth of load is learned from its tenth minute, and a load within 2 % of the
// edge stays in it.
func TestALoadIsLearnedInItsTenthMinute(t *testing.T) {
	var l learned
	at := func(d time.Duration) model.Instant {
		return model.Instant{Boot: 1,
			Offset: time.Hour + d}
	}
	for d := time.Duration(0); d < 10*time.Minute; d += time.Second {
		v := 300.0
		if d >= 9*time.Minute {
			v = 400
		}
		if _, known := l.see(at(d), 0.55, v); known {
			t.Fatalf("known after %s", d)
		}
	}
	if v, known := l.see(at(10*time.Minute), 0.619, 400); !known || v != 400 {
		t.Errorf("after 10 min it learned %v, known %v; want the 400 of the last minute", v, known)
	}
	if _, known := l.see(at(11*time.Minute), 0.621, 400); known {
		t.Error("2.1 % above the edge counts as the load below")
	}
	l.forget()
	if v, known := l.see(at(20*time.Minute), 0.55, 500); !known || v != 400 {
		t.Errorf("after a stop it remembers %v, known %v", v, known)
	}
	if l.see(at(21*time.Minute), 2.0, 1); l.band != 14 {
		t.Errorf("200 %% of load is in band %d", l.band)
	}
}
