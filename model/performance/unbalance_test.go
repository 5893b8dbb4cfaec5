package performance

import (
	"math"
	"slices"
	"strings"
	"testing"

	"tickover/model"
	"tickover/model/electrical"
)

// loadPlan is a phase loaded with so many W from so many s on.
type loadPlan struct {
	at    float64
	watts [3]float64
}

// onePhase is a set whose regulator holds one voltage while the phases are
// loaded by plan. volts says what each voltage to neutral is under a load.
func onePhase(plan []loadPlan, volts func(w [3]float64) [3]float64, end float64) Input {
	in := Input{Rating: model.Rating{ApparentPower: 20e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50}}
	in.Run = model.Run{ID: "1", Started: instant(0), States: []model.StateSpan{{State: model.Loaded, From: instant(0), To: instant(end + 60)}}}
	in.Scans = func(yield func(*model.Scan, error) bool) {
		for t := 1.0; t < end; t++ {
			var w [3]float64
			for _, l := range plan {
				if t >= l.at {
					w = l.watts
				}
			}
			u := volts(w)
			s := &model.Scan{Group: "meter/1s", At: instant(t), Samples: []model.Sample{
				model.GoodSample(model.FrequencyPoint, 51-(w[0]+w[1]+w[2])/20e3), model.GoodSample(model.PowerActive, w[0]+w[1]+w[2])}}
			for k := range 3 {
				a, b := u[k], u[(k+1)%3]
				s.Samples = append(s.Samples, model.GoodSample(model.PhaseVoltages[k], u[k]), model.GoodSample(model.PhaseActive[k], w[k]),
					model.GoodSample(model.PhaseReactive[k], 0),
					model.GoodSample(model.PhaseCurrents[k], w[k]/u[k]), model.GoodSample(model.LineVoltages[k], math.Sqrt(a*a+b*b+a*b)))
			}
			electrical.Derive(in.Rating, electrical.VoltageGain(nil, in.Rating), s)
			if !yield(s, nil) {
				return
			}
		}
	}
	return in
}

// walk loads each phase in turn with 2 kW.
var walk = []loadPlan{{60, [3]float64{2000}}, {120, [3]float64{}}, {180, [3]float64{0, 2000}}, {240, [3]float64{}}, {300, [3]float64{0, 0, 2000}}, {360, [3]float64{}}}

// A regulator that holds L2 to neutral: load there lifts the other two, load
// elsewhere pulls its own phase. The matrix is what the set was made with, and
// the phase is named.
func TestInfluence(t *testing.T) {
	made := [3][3]float64{{-2.4e-3, 0.9e-3, 0.4e-3}, {0, 0, 0}, {0.5e-3, 1.1e-3, -2.2e-3}}
	volts := func(w [3]float64) (u [3]float64) {
		for i := range 3 {
			u[i] = 231
			for j := range 3 {
				u[i] += made[i][j] * w[j]
			}
		}
		return u
	}
	in := record(t, onePhase(walk, volts, 420)).Influence
	if in == nil || in.Steps != [3]int{2, 2, 2} {
		t.Fatalf("%+v", in)
	}
	for i := range 3 {
		for j := range 3 {
			if math.Abs(in.VoltsPerWatt[i][j]-made[i][j]) > 1e-5 {
				t.Errorf("L%d under load on L%d: %g V/W, made with %g", i+1, j+1, in.VoltsPerWatt[i][j], made[i][j])
			}
		}
	}
	if in.Senses != "the regulator senses the voltage L2 to neutral" {
		t.Errorf("senses: %s", in.Senses)
	}
	if f := figureOf(t, in.Figures, "highest voltage of a phase without the load"); math.Abs(f.Value-233.2) > 0.1 || f.Verdict != model.Within {
		t.Errorf("%+v", f)
	}
	half := record(t, onePhase(walk[:2], volts, 180)).Influence
	if half == nil || !strings.HasPrefix(half.Senses, "not determined: load at least two phases") || !math.IsNaN(half.VoltsPerWatt[0][1]) {
		t.Errorf("one phase alone: %+v", half)
	}
	mean := func(w [3]float64) (u [3]float64) {
		for i := range 3 {
			u[i] = 231 - 2e-3*w[i] + 2e-3*(w[0]+w[1]+w[2])/3
		}
		return u
	}
	if in := record(t, onePhase(walk, mean, 420)).Influence; in.Senses != "the regulator senses the mean of the three phases" {
		t.Errorf("senses: %s", in.Senses)
	}
}

// 6.93 A on one phase of a 20 kVA set is I2/IN 8 % (IEC 60034-1, from memory);
// twice that, held for 180 s, has heated the rotor by (0.16)²·180 = 4.6 s.
func TestOnePhaseHeats(t *testing.T) {
	even := func([3]float64) [3]float64 { return [3]float64{231, 231, 231} }
	rated := model.Rating{ApparentPower: 20e3, Voltage: 400}.Current()
	watts := 0.48 * rated * 231
	rec := record(t, onePhase([]loadPlan{{60, [3]float64{watts}}, {240, [3]float64{}}}, even, 300))
	if f := named(t, rec, "negative-sequence current"); math.Abs(f.Value-16) > 0.01 || f.Verdict != model.Outside || !strings.Contains(f.Note, "active and reactive") {
		t.Errorf("%+v", f)
	}
	if f := named(t, rec, "rotor heating by unbalance"); math.Abs(f.Value-0.16*0.16*180) > 0.05 || f.Low > f.Value || f.High < f.Value || f.Verdict != model.Within {
		t.Errorf("%+v", f)
	}
	if f := named(t, rec, "load on one phase, I2/IN 8 %"); math.Abs(f.Value-6.93) > 0.005 || !strings.Contains(f.Note, "1.6 kVA") {
		t.Errorf("%+v", f)
	}
}

// The stated accuracy of the instruments narrows the uncertainty.
func TestStatedAccuracy(t *testing.T) {
	even := func([3]float64) [3]float64 { return [3]float64{231, 231, 231} }
	in := onePhase(nil, even, 120)
	wide := named(t, record(t, in), "negative-sequence voltage")
	for _, p := range model.LineVoltages {
		in.Sensors = append(in.Sensors, model.Point{ID: p, Quantity: model.Voltage, Class: 0.8})
	}
	narrow := named(t, record(t, in), "negative-sequence voltage")
	if math.Abs(wide.Uncertainty-0.667) > 0.01 || math.Abs(narrow.Uncertainty-0.267) > 0.01 || !strings.Contains(narrow.Note, "stated accuracy") {
		t.Errorf("%v and %v: %s", wide.Uncertainty, narrow.Uncertainty, narrow.Note)
	}
}

// An open neutral is told from the six magnitudes, and for how long.
func TestNeutralSuspectFigure(t *testing.T) {
	in := onePhase(nil, func([3]float64) [3]float64 { return [3]float64{231, 231, 231} }, 120)
	scans := in.Scans
	in.Scans = func(yield func(*model.Scan, error) bool) {
		for s := range scans {
			if at := s.At.Offset.Seconds(); at >= 50 && at < 60 {
				kept := s.Samples[:0]
				for _, q := range s.Samples {
					if k := slices.Index(model.PhaseVoltages[:], q.Point); k >= 0 {
						q.Value = [3]float64{176, 239, 289}[k]
					}
					if q.Point != model.NeutralSuspect && q.Point != model.ZeroSequenceVoltage {
						kept = append(kept, q)
					}
				}
				s.Samples = kept
				electrical.Derive(in.Rating, electrical.VoltageGain(nil, in.Rating), s)
			}
			if !yield(s, nil) {
				return
			}
		}
	}
	if f := named(t, record(t, in), "neutral suspect"); f.Value != 10 || f.Verdict != model.Outside {
		t.Errorf("%+v", f)
	}
}
