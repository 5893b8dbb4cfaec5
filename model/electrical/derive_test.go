package electrical

import (
	"testing"

	"tickover/model"
	"tickover/testdata/reference"
)

var rating = model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50, Poles: 4, Battery: 12}

func scanOf(values map[model.PointID]float64) *model.Scan {
	s := &model.Scan{Group: "meter/1s", At: model.Instant{Boot: 1}}
	for p, v := range values {
		s.Samples = append(s.Samples, model.GoodSample(p, v))
	}
	s.Measured = len(s.Samples)
	return s
}

func full() map[model.PointID]float64 {
	m := map[model.PointID]float64{model.FrequencyPoint: 50, model.PowerReactiveL1: 0, model.PowerReactiveL2: 0, model.PowerReactiveL3: 0}
	for k := range 3 {
		m[model.PhaseVoltages[k]], m[model.LineVoltages[k]] = 400/1.7320508, 400
		m[model.PhaseCurrents[k]], m[model.PhasePowerFactor[k]] = 20, 1
	}
	return m
}

func TestDeriveBalanced(t *testing.T) {
	s := scanOf(full())
	measured := s.Measured
	Derive(rating, assumedGain, s)
	if s.Measured != measured {
		t.Error("Derive counted its own samples as measured")
	}
	for p, want := range map[model.PointID]float64{
		model.LoadRatio: 13856.4 / 40000, model.LoadApparentRatio: 20 / 72.169, model.VoltageUnbalance: 0,
		model.CurrentUnbalance: 0, model.NegativeVoltage: 0, model.NegativeCurrent: 0, model.NeutralEstimate: 0,
		model.ZeroSequenceVoltage: 0, model.VoltsPerHertzRatio: 1, model.PowerActive: 13856.4,
		model.PowerApparent: 13856.4, model.PowerFactorTotal: 1, model.PowerActiveL2: 4618.8,
	} {
		got, ok := s.Find(p)
		if !ok || got.Quality != model.Good {
			t.Errorf("%s: %+v, %v", p, got, ok)
			continue
		}
		reference.Near(t, string(p), got.Value, want, 1e-4*max(1, want))
	}
}

func TestDeriveKeepsWhatWasMeasured(t *testing.T) {
	m := full()
	m[model.PowerActive] = 12345
	s := scanOf(m)
	Derive(rating, assumedGain, s)
	count := 0
	for _, sample := range s.Samples {
		if sample.Point == model.PowerActive {
			count++
		}
	}
	if got, _ := s.Find(model.PowerActive); count != 1 || got.Value != 12345 {
		t.Errorf("measured total became %v, %d times", got.Value, count)
	}
	before := len(s.Samples)
	if Derive(rating, assumedGain, s); len(s.Samples) != before {
		t.Error("a second Derive doubled the points")
	}
}

func TestDeriveBadInput(t *testing.T) {
	s := scanOf(full())
	for i := range s.Samples {
		if s.Samples[i].Point == model.CurrentL2 {
			s.Samples[i] = model.BadSample(model.CurrentL2, model.NoAnswer)
		}
	}
	Derive(rating, assumedGain, s)
	for _, p := range []model.PointID{model.NeutralEstimate, model.NegativeCurrent, model.CurrentUnbalance,
		model.PowerApparentL2, model.PowerActiveL2, model.PowerActive, model.LoadRatio, model.LoadApparentRatio} {
		if got, ok := s.Find(p); !ok || got.Quality != model.Bad || got.Cause != model.InputBad {
			t.Errorf("%s: %+v, %v", p, got, ok)
		}
	}
	if got, _ := s.Find(model.VoltageUnbalance); got.Quality != model.Good {
		t.Error("a bad current spoilt a voltage figure")
	}
}

func TestDeriveNeedsItsInputs(t *testing.T) {
	s := scanOf(map[model.PointID]float64{model.OilPressure: 4e5})
	if Derive(rating, assumedGain, s); len(s.Samples) != 1 {
		t.Errorf("derived from nothing: %+v", s.Samples)
	}
	s = scanOf(full())
	Derive(model.Rating{}, assumedGain, s)
	for _, p := range []model.PointID{model.LoadRatio, model.LoadApparentRatio, model.NegativeCurrent, model.CurrentUnbalance, model.VoltsPerHertzRatio} {
		if _, ok := s.Find(p); ok {
			t.Errorf("%s derived without a rating", p)
		}
	}
}

func TestDeriveUndefined(t *testing.T) {
	m := full()
	for k := range 3 {
		m[model.PhaseCurrents[k]] = 0.1
	}
	s := scanOf(m)
	Derive(rating, assumedGain, s)
	if got, _ := s.Find(model.CurrentUnbalance); got.Cause != model.Undefined {
		t.Errorf("unbalance of no current: %+v", got)
	}
	for k := range 3 {
		m[model.PhaseVoltages[k]], m[model.LineVoltages[k]] = 2, 3
	}
	s = scanOf(m)
	Derive(rating, assumedGain, s)
	for _, p := range []model.PointID{model.VoltageUnbalance, model.NegativeVoltage, model.ZeroSequenceVoltage, model.VoltsPerHertzRatio} {
		if got, _ := s.Find(p); got.Cause != model.Undefined {
			t.Errorf("%s of residual voltage: %+v", p, got)
		}
	}
}

func TestDeriveAllocatesNothing(t *testing.T) {
	s := scanOf(full())
	samples := make([]model.Sample, len(s.Samples), 64)
	copy(samples, s.Samples)
	if n := testing.AllocsPerRun(100, func() {
		s.Samples = samples
		Derive(rating, assumedGain, s)
	}); n != 0 {
		t.Errorf("%v allocations beside the growth of the samples", n)
	}
}

func BenchmarkDerive(b *testing.B) {
	s := scanOf(full())
	samples := make([]model.Sample, len(s.Samples), 64)
	copy(samples, s.Samples)
	b.ReportAllocs()
	for b.Loop() {
		s.Samples = samples
		Derive(rating, assumedGain, s)
	}
}
