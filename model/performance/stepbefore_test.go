package performance

import (
	"math"
	"math/rand/v2"
	"testing"

	"tickover/model"
)

// A neutral that is closed again brings the phases back from 175 and 262 V to 230 V and
// changes the load with them. What was read before is no dip and no rise.
func TestAClosingNeutralIsNoDip(t *testing.T) {
	random := rand.New(rand.NewPCG(16, 15))
	for n := range 200 {
		every := []float64{0.25, 0.5, 1, 2}[n%4]
		average := every * random.Float64()
		in := Input{Rating: model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 230 * math.Sqrt(3), Frequency: 50, Class: "G2"}}
		in.Run = model.Run{ID: "1", Started: instant(0), States: []model.StateSpan{{State: model.Loaded, From: instant(0), To: instant(200)}}}
		in.Scans = func(yield func(*model.Scan, error) bool) {
			for t := 1 + every*random.Float64(); t < 110; t += every {
				share := min(max((t-60)/average, 0), 1) // of the averaging time after the closing
				scan := &model.Scan{Group: "meter/1s", At: instant(t), Samples: []model.Sample{model.GoodSample(model.FrequencyPoint, 51)}}
				total := 0.0
				for k, open := range [3]float64{175, 262, 262} {
					v := open + share*(230-open)
					p := []float64{8e3, 3e3, 3e3}[k] * (v / 230) * (v / 230)
					scan.Samples = append(scan.Samples, model.GoodSample(model.PhaseVoltages[k], v), model.GoodSample(model.PhaseActive[k], p))
					total += p
				}
				scan.Samples = append(scan.Samples, model.GoodSample(model.PowerActive, total))
				if !yield(scan, nil) {
					return
				}
			}
		}
		r := pass(in)
		if len(r.steps) != 1 {
			t.Fatalf("%d steps", len(r.steps))
		}
		for _, k := range []key{voltageDip, voltageRise} {
			for _, m := range r.steps[0].per[k] {
				if m.known && m.lo > 0.5 {
					t.Errorf("read every %v s over %.2f s: %s at least %.1f %%", every, average, subjects[k].name, m.lo)
				}
			}
		}
	}
}

// What was before a step is not averaged over how the set answered the step before
// it: 20 V and 4 Hz of answer that die away in seconds, steps 6 to 40 s apart.
func TestBeforeAStepLeavesOutTheAnswerToTheOneBefore(t *testing.T) {
	random := rand.New(rand.NewPCG(15, 15))
	for n := range 200 {
		every, apart := []float64{0.25, 0.5, 1}[n%3], 6+34*random.Float64()
		answer := func(t float64) float64 {
			since := t - 60
			if since < 0 {
				return 0
			}
			return math.Exp(-since / 1.2)
		}
		in := Input{Rating: model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 230 * math.Sqrt(3), Frequency: 50, Class: "G2"}}
		in.Run = model.Run{ID: "1", Started: instant(0), States: []model.StateSpan{{State: model.Loaded, From: instant(0), To: instant(250)}}}
		in.Scans = func(yield func(*model.Scan, error) bool) {
			for t := 1 + every*random.Float64(); t < 160; t += every {
				load := 0.0
				if t > 60 {
					load = 10e3
				}
				if t > 60+apart {
					load = 25e3
				}
				scan := &model.Scan{Group: "meter/1s", At: instant(t), Samples: []model.Sample{model.GoodSample(model.FrequencyPoint, 50-4*answer(t)), model.GoodSample(model.PowerActive, load)}}
				for k := range 3 {
					scan.Samples = append(scan.Samples, model.GoodSample(model.PhaseVoltages[k], 230-20*answer(t)))
				}
				if !yield(scan, nil) {
					return
				}
			}
		}
		r := pass(in)
		if len(r.steps) != 2 {
			t.Fatalf("%d steps, %v s apart, read every %v s", len(r.steps), apart, every)
		}
		left := math.Exp(-min(10, (apart-every)/2) / 1.2) // of the answer, half way to the second step or after 10 s
		before := r.steps[1].step.Before
		if f, u := 50-before[model.FrequencyPoint], 230-before[model.VoltageL1N]; f > 4*left || u > 20*left {
			t.Errorf("%.1f s apart, read every %v s: before is %.2f Hz and %.2f V off", apart, every, f, u)
		}
	}
}

// Two readings after a step may still come back from before it, one that goes further
// is of the step.
func TestWhatAnswersAStep(t *testing.T) {
	for name, c := range map[string]struct {
		volts []float64
		want  int // readings left
	}{"coming back": {[]float64{175, 180, 205, 225, 230}, 2}, "further down": {[]float64{231, 228, 229, 231, 231}, 4}, "further at the second": {[]float64{231, 232, 226, 231}, 2}} {
		var r []timedValue
		for i, v := range c.volts {
			r = append(r, timedValue{float64(i), v})
		}
		if got := answering(r, jump{before: 0, first: 1, end: 9}, -1); len(got) != c.want {
			t.Errorf("%s: %d readings left, want %d", name, len(got), c.want)
		}
	}
}
