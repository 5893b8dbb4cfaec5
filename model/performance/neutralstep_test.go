package performance

import (
	"math"
	"testing"

	"tickover/model"
)

// A neutral that opens moves voltage and load between the phases. That is a change of
// load, but it says nothing about the regulator: its voltages are not judged.
func TestAnOpeningNeutralIsNotJudgedAsALoadStep(t *testing.T) {
	for _, suspect := range []float64{0, 1} {
		in := Input{Rating: model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 230 * math.Sqrt(3), Frequency: 50, Class: "G1"}}
		in.Run = model.Run{ID: "1", Started: instant(0), States: []model.StateSpan{{State: model.Loaded, From: instant(0), To: instant(200)}}}
		in.Scans = func(yield func(*model.Scan, error) bool) {
			for t := 1.0; t < 110; t += 0.2 {
				scan := &model.Scan{Group: "meter/200ms", At: instant(t), Samples: []model.Sample{model.GoodSample(model.FrequencyPoint, 51)}}
				volts, off, total := [3]float64{230, 230, 230}, 0.0, 0.0
				if t >= 60 { // 3, 2 and 1 kW without a neutral
					volts, off = [3]float64{176, 239, 289}, suspect
				}
				for k, watts := range [3]float64{3e3, 2e3, 1e3} {
					p := watts * (volts[k] / 230) * (volts[k] / 230)
					scan.Samples = append(scan.Samples, model.GoodSample(model.PhaseVoltages[k], volts[k]), model.GoodSample(model.PhaseActive[k], p))
					total += p
				}
				scan.Samples = append(scan.Samples, model.GoodSample(model.PowerActive, total), model.GoodSample(model.NeutralSuspect, off))
				if !yield(scan, nil) {
					return
				}
			}
		}
		r := pass(in)
		if len(r.steps) != 1 {
			t.Fatalf("%d steps", len(r.steps))
		}
		for _, k := range []key{voltageDip, voltageRise, voltageRecoveryOn, voltageRecoveryOff} {
			if m := r.steps[0].per[k]; len(m) > 0 {
				if m[0].known == (suspect == 1) {
					t.Errorf("suspect %v: %s is known: %v (%s)", suspect, subjects[k].name, m[0].known, m[0].why)
				}
			}
		}
	}
}
