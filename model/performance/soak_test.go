package performance

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// meter makes a run of scans of a few points.
func meter(from, to, every float64, state model.EngineState, points func(t float64) map[model.PointID]float64) Input {
	in := Input{Rating: model.Rating{ApparentPower: 125e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50}}
	in.Run = model.Run{ID: "1", Started: instant(from), States: []model.StateSpan{{State: state, From: instant(from), To: instant(to)}}}
	in.Scans = func(yield func(*model.Scan, error) bool) {
		for t := from; t < to; t += every {
			s := &model.Scan{Group: "meter", At: instant(t)}
			for p, v := range points(t) {
				s.Samples = append(s.Samples, model.GoodSample(p, v))
			}
			if !yield(s, nil) {
				return
			}
		}
	}
	return in
}

// The reference's example of ISO 8528-1 averaging: 100 kW, 4 h at 90, 6 h at
// 60, 8 h at 15 kW which count as 30, 6 h stopped: 53.3 kW.
func TestAverageLoad(t *testing.T) {
	in := meter(0, 24*3600, 5, model.Loaded, func(t float64) map[model.PointID]float64 {
		p := map[bool]float64{true: 90e3}[t < 4*3600] + map[bool]float64{true: 60e3}[t >= 4*3600 && t < 10*3600] + map[bool]float64{true: 15e3}[t >= 10*3600]
		return map[model.PointID]float64{model.PowerActive: p}
	})
	in.Run.States = []model.StateSpan{{State: model.Loaded, From: instant(0), To: instant(18 * 3600)}, {State: model.Standstill, From: instant(18 * 3600), To: instant(24 * 3600)}}
	rec := record(t, in)
	if f := named(t, rec, "average load"); math.Abs(f.Value-960.0/18) > 0.02 {
		t.Errorf("%+v", f)
	}
	if f := named(t, rec, "longest time below 30 % of rated power"); math.Abs(f.Value-8*60) > 0.2 {
		t.Errorf("%+v", f)
	}
}

// A counter of five digits in kWh goes round once, another is reset.
func TestCounterStartsAnew(t *testing.T) {
	count := func(from float64, reset bool) Input {
		in := meter(0, 3600, 1, model.Loaded, func(t float64) map[model.PointID]float64 {
			kwh := math.Floor(from + t/60)
			switch {
			case reset && t >= 1800:
				kwh = math.Floor((t - 1800) / 60)
			case kwh >= 1e5:
				kwh -= 1e5
			}
			return map[model.PointID]float64{model.PowerActive: 60e3, model.EnergyActive: kwh * 3.6e6}
		})
		in.Sensors = []model.Point{{ID: model.EnergyActive, Register: model.Register{Type: model.Uint32, Resolution: model.Resolution{Num: 3600000, Den: 1}}}}
		return in
	}
	round := record(t, count(99970, false))
	if f := named(t, round, "energy by the meter's counter"); f.Value != 59 || math.Abs(f.Uncertainty-1-0.005*59) > 1e-9 || f.Bound != model.Exact || !strings.Contains(f.Note, "rolled over 1 times") {
		t.Errorf("round: %+v", f)
	}
	if f := named(t, round, "integral against the counter"); !f.Known || math.Abs(f.Value) > f.Uncertainty {
		t.Errorf("round: %+v", f)
	}
	reset := record(t, count(500, true))
	if f := named(t, reset, "energy by the meter's counter"); f.Value != 58 || f.Bound != model.AtLeast {
		t.Errorf("reset: %+v", f)
	}
	if f := named(t, reset, "integral against the counter"); f.Known || f.Reason == "" {
		t.Errorf("reset: %+v", f)
	}
}

// Coolant that climbs to its end with a time constant of 20 min, in air that
// warms too: the rise drifts by less than 1 K in half an hour once
// 40·e^(-t/20 min)·(1-e^(-1.5)) is below 1 K. The least-squares slope reaches
// that a little sooner or later than the difference of the ends.
func TestThermalEquilibrium(t *testing.T) {
	in := meter(0, 4*3600, 2, model.Loaded, func(t float64) map[model.PointID]float64 {
		air := 10 + t/3600
		return map[model.PointID]float64{model.PowerActive: 60e3, model.FrequencyPoint: 50, model.AmbientTemperature: air,
			model.CoolantTemperature: air + 70 - 40*math.Exp(-t/1200)}
	})
	rec := record(t, in)
	due := (20*math.Log(40*(1-math.Exp(-1.5))) + 30)
	if f := named(t, rec, "thermal equilibrium reached after"); math.Abs(f.Value-due) > 6 {
		t.Errorf("%+v, due after %.0f min", f, due)
	}
	if f := named(t, rec, "coolant temperature over ambient, drift"); math.Abs(f.Value) > 0.1 || f.Verdict != model.Within {
		t.Errorf("%+v", f)
	}
	short := meter(0, 1500, 2, model.Loaded, func(float64) map[model.PointID]float64 {
		return map[model.PointID]float64{model.PowerActive: 60e3, model.CoolantTemperature: 80}
	})
	if f := named(t, record(t, short), "thermal equilibrium"); f.Known || f.Reason == "" {
		t.Errorf("%+v", f)
	}
}

func dipEvent(seq uint64, at float64, kind string, litres, resolution float64) model.Event {
	m := &model.Measurement{Kind: kind, Quantity: model.Volume, Value: litres / 1000}
	if resolution > 0 {
		m.Conditions = map[string]float64{"resolution": resolution / 1000}
	}
	return model.Event{Seq: seq, At: instant(at), Kind: model.MeasurementEvent, Hand: m}
}

// 60 kWh from a tank that held 100 L, was given 20 L and holds 102 L: 18 L,
// 0.3 L/kWh, ± 1 L of both dips.
func TestFuelPerKilowattHour(t *testing.T) {
	in := meter(100, 3700, 1, model.Loaded, func(float64) map[model.PointID]float64 { return map[model.PointID]float64{model.PowerActive: 60e3} })
	in.Events = []model.Event{dipEvent(1, 50, "fuel dip", 100, 0.5), dipEvent(2, 500, "fuel added", 20, 0), dipEvent(3, 4000, "Fuel dip", 102, 0.5)}
	f := named(t, record(t, in), "fuel per kWh")
	if math.Abs(f.Value-0.3) > 1e-3 || math.Abs(f.Uncertainty-1.0/60-0.3*0.005) > 1e-4 {
		t.Errorf("%+v", f)
	}
	// Twenty litres that were written down as two, and put right.
	slip := in
	wrong, right := dipEvent(2, 500, "fuel added", 2, 0), dipEvent(4, 510, "fuel added", 20, 0)
	right.Hand.Corrects = 2
	slip.Events = []model.Event{in.Events[0], wrong, right, in.Events[2]}
	if f := named(t, record(t, slip), "fuel per kWh"); math.Abs(f.Value-0.3) > 1e-3 {
		t.Errorf("after a correction: %+v", f)
	}
	// Both dips entered together the next day, with the times they were taken.
	late := in
	late.Clock = model.Clock{Boots: []model.Boot{{Number: 1, Estimates: []model.ClockEstimate{{Wall: 1e18, Source: model.ClockRTC}}}}}
	wall := func(s float64) time.Time { w, _ := late.Clock.Wall(instant(s)); return w }
	late.Events = []model.Event{dipEvent(1, 9000, "fuel dip", 100, 0.5), dipEvent(2, 9001, "fuel added", 20, 0), dipEvent(3, 9002, "fuel dip", 102, 0.5)}
	for i, at := range []float64{50, 500, 4000} {
		late.Events[i].Hand.Taken = wall(at)
	}
	if f := named(t, record(t, late), "fuel per kWh"); math.Abs(f.Value-0.3) > 1e-3 {
		t.Errorf("entered late: %+v", f)
	}
	for missing, why := range map[int]string{0: "before the run", 2: "after the run"} {
		cut := in
		cut.Events = append(append([]model.Event{}, in.Events[:missing]...), in.Events[missing+1:]...)
		if f := named(t, record(t, cut), "fuel per kWh"); f.Known || !strings.Contains(f.Reason, why) {
			t.Errorf("without dip %d: %+v", missing, f)
		}
	}
}

// The same step three times gives one group with its spread; another load does
// not join it.
func TestRepeats(t *testing.T) {
	load := func(t float64) float64 {
		for i, from := range []float64{100, 300, 500} {
			if t >= from && t < from+100 {
				return 40e3 + 500*float64(i)
			}
		}
		if t >= 700 {
			return 80e3
		}
		return 0
	}
	rec := record(t, meter(0, 800, 1, model.Loaded, func(t float64) map[model.PointID]float64 {
		return map[model.PointID]float64{model.PowerActive: load(t), model.FrequencyPoint: 52 - load(t)/50e3}
	}))
	if len(rec.Repeats) != 2 || fmt.Sprint(rec.Repeats[0].Steps, rec.Repeats[1].Steps) != "[0 2 4] [1 3 5]" {
		t.Fatalf("%+v", rec.Repeats)
	}
	f := figureOf(t, rec.Repeats[0].Figures, "frequency after")
	if math.Abs(f.Value-51.19) > 1e-6 || !strings.Contains(f.Note, "mean of 3") || !strings.Contains(f.Note, "spread 0.02") {
		t.Errorf("%+v", f)
	}
	if g := rec.Repeats[0]; math.Abs(g.To-40.5e3) > 1 || g.From != 0 {
		t.Errorf("%+v", g)
	}
}
