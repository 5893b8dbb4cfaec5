package plant

import (
	"math"
	"testing"
	"time"

	"tickover/model"
)

// started is a warm-enough set at rated speed without load.
func started(t *testing.T) *Plant {
	t.Helper()
	p := New(7, HatcheryRating())
	p.Key(true)
	p.Crank(true)
	p.Step(4 * time.Second)
	p.Crank(false)
	p.Step(30 * time.Second)
	if f := mean(p, model.FrequencyPoint); math.Abs(f-52) > 0.2 {
		t.Fatalf("no-load frequency %.2f Hz, want about 52", f)
	}
	return p
}

// mean averages a point over a second.
func mean(p *Plant, id model.PointID) float64 {
	sum := 0.0
	for range 50 {
		p.Step(20 * time.Millisecond)
		v, _ := p.Value(id)
		sum += v
	}
	return sum / 50
}

func near(t *testing.T, what string, got, want, give float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > give {
		t.Errorf("%s is %.4g, want %.4g give or take %.2g", what, got, want, give)
	}
}

func TestSameNumberSameValues(t *testing.T) {
	run := func(extra bool) (values []float64) {
		p := New(3, HatcheryRating())
		script, length := LiveLoop()
		player := NewPlayer(p, script, length, true)
		for range 600 {
			player.Advance(500 * time.Millisecond)
			if extra {
				p.Value(model.OilPressure)
			}
			v, _ := p.Value(model.VoltageL1N)
			w, _ := p.Value(model.BatteryVoltage)
			values = append(values, v, w)
		}
		return values
	}
	a, b := run(false), run(true)
	for i := range a {
		if a[i] != b[i] {
			t.Fatalf("value %d differs: %v and %v", i, a[i], b[i])
		}
	}
}

func TestEveryMeasuredPointHasAValue(t *testing.T) {
	p := started(t)
	p.LoadAll(10e3, 0.8)
	p.Step(time.Second)
	for _, id := range Points() {
		if _, ok := model.KnownQuantity(id); !ok {
			t.Errorf("%s is no well-known point", id)
		}
		v, ok := p.Value(id)
		if !ok || math.IsNaN(v) || math.IsInf(v, 0) {
			t.Errorf("%s gives %v, %v", id, v, ok)
		}
		p.DeadSensor(id, true)
		if _, ok := p.Value(id); ok {
			t.Errorf("%s still speaks with a dead sensor", id)
		}
	}
	if len(Points()) != 39 {
		t.Errorf("the plant has %d points, model/setup.go lists 39 that are not derived", len(Points()))
	}
}

func TestDroopAndTransients(t *testing.T) {
	p := started(t)
	p.LoadAll(40e3, 0.8)
	lowestF, lowestV := 99.0, 999.0
	for range 200 {
		p.Step(20 * time.Millisecond)
		f, _ := p.Value(model.FrequencyPoint)
		v, _ := p.Value(model.VoltageL1N)
		lowestF, lowestV = min(lowestF, f), min(lowestV, v)
	}
	p.Step(4 * time.Second)
	near(t, "full-load frequency", mean(p, model.FrequencyPoint), 50, 0.2)
	near(t, "full-load voltage", mean(p, model.VoltageL12), 400, 0.5)
	if lowestF > 49.3 || lowestF < 45 || lowestV > 222 || lowestV < 195 {
		t.Errorf("full load dips to %.2f Hz and %.1f V", lowestF, lowestV)
	}
}

func TestUnloadedPhaseRises(t *testing.T) {
	p := started(t)
	p.Load(0, 9e3, 1)
	p.Step(5 * time.Second)
	if v := mean(p, model.VoltageL1N); v > 229.5 {
		t.Errorf("the loaded phase stays at %.1f V", v)
	}
	if v := mean(p, model.VoltageL2N); v < 231.3 || v > 240 {
		t.Errorf("the unloaded phase is at %.1f V", v)
	}
	near(t, "neutral current", mean(p, model.CurrentN), mean(p, model.CurrentL1), 0.2)
}

// The two rows are worked out from three resistances on a balanced supply:
// the star point is their weighted centre. The machine's own impedance shifts
// them by up to 5 V.
func TestOpenNeutral(t *testing.T) {
	for _, c := range []struct{ watts, volts [3]float64 }{
		{[3]float64{3e3, 2e3, 1e3}, [3]float64{176, 239, 289}},
		{[3]float64{6e3, 2e3, 1e3}, [3]float64{117, 290, 319}},
	} {
		p := started(t)
		p.OpenNeutral(true)
		for k, w := range c.watts {
			p.Load(k, w, 1)
		}
		p.Step(5 * time.Second)
		for k, v := range c.volts {
			near(t, string(model.PhaseVoltages[k]), mean(p, model.PhaseVoltages[k]), v, 5)
		}
		near(t, "line voltage", mean(p, model.VoltageL23), 400, 6)
	}
}

func TestCurrentMiswirings(t *testing.T) {
	straight, swapped, shifted := [3]int{0, 1, 2}, [3]int{1, 0, 2}, [3]int{1, 2, 0}
	one, all := [3]bool{true, false, false}, [3]bool{true, true, true}
	for _, c := range []struct {
		from     [3]int
		reversed [3]bool
		ratio    float64 // of shown to true power, by the angles between phases
	}{
		{straight, [3]bool{}, 1}, {straight, one, 1. / 3}, {straight, all, -1},
		{swapped, [3]bool{}, 0}, {shifted, [3]bool{}, -0.5}, {shifted, all, 0.5},
	} {
		p := started(t)
		p.LoadAll(15e3, 1)
		p.WireCurrents(c.from, c.reversed)
		p.Step(4 * time.Second)
		near(t, "power shown of true", mean(p, model.PowerActive)/15e3, c.ratio, 0.01)
	}
}

func TestVoltageMiswirings(t *testing.T) {
	p := started(t)
	p.WireVoltages([4]int{0, 3, 2, 1})
	p.Step(time.Second)
	near(t, "L1N with N and L2 exchanged", mean(p, model.VoltageL1N), 400, 1)
	near(t, "L2N with N and L2 exchanged", mean(p, model.VoltageL2N), 230.9, 0.5)
	p.WireVoltages([4]int{-1, 1, 2, 3})
	p.Step(time.Second)
	near(t, "L1N with an open lead", mean(p, model.VoltageL1N), 0, 0.5)
	near(t, "L12 with an open lead", mean(p, model.VoltageL12), 230.9, 0.5)
}

func TestMeterAtStop(t *testing.T) {
	held, gone := started(t), started(t)
	held.HoldFrequency(true)
	gone.MeterSelfPowered(true)
	for _, p := range []*Plant{held, gone} {
		p.Key(false)
		p.Step(30 * time.Second)
	}
	if f, ok := held.Value(model.FrequencyPoint); !ok || f < 5 {
		t.Errorf("the held frequency is %v, %v", f, ok)
	}
	if _, ok := gone.Value(model.VoltageL1N); ok {
		t.Error("a meter without supply still answers")
	}
}

func TestFaults(t *testing.T) {
	p := started(t)
	p.OilLoss(true)
	p.ChargeLoss(true)
	p.Step(time.Minute)
	if v, _ := p.Value(model.OilPressure); v > 0.3e5 {
		t.Errorf("oil pressure %v Pa a minute after the loss", v)
	}
	if v, _ := p.Value(model.ChargeLamp); v != 1 {
		t.Error("the charge lamp stays dark with a broken belt")
	}
	p.LoadAll(28e3, 1)
	p.Step(20 * time.Minute)
	before, _ := p.Value(model.CoolantTemperature)
	p.CoolantLoss(true)
	p.Step(3 * time.Minute)
	if after, _ := p.Value(model.CoolantTemperature); after > before-15 {
		t.Errorf("the sensor in air shows %.1f after %.1f °C", after, before)
	}
	if p.heat.block < 110 {
		t.Errorf("the dry block is at %.1f °C", p.heat.block)
	}
}

func TestDryCrankAndKey(t *testing.T) {
	p := New(1, HatcheryRating())
	p.Crank(true)
	p.Step(time.Second)
	if v, _ := p.Value(model.SpeedPoint); v != 0 {
		t.Error("it cranks without the key")
	}
	p.Key(true)
	p.Fuel(false)
	lowest := 99.0
	for range 500 {
		p.Step(20 * time.Millisecond)
		v, _ := p.Value(model.BatteryVoltage)
		lowest = min(lowest, v)
	}
	near(t, "lowest battery voltage", lowest, 9.8, 0.25)
	near(t, "cranking speed", 60*mean(p, model.SpeedPoint), 180, 5)
	if v, _ := p.Value(model.OilPressure); v < 1e5 {
		t.Errorf("no oil pressure after 10 s of cranking: %v Pa", v)
	}
}

func BenchmarkDay(b *testing.B) {
	for b.Loop() {
		script, length := HatcheryDay()
		player := NewPlayer(New(1, HatcheryRating()), script, length, false)
		player.Advance(length)
	}
}
