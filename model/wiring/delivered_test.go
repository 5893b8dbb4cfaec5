package wiring

import (
	"testing"
	"time"

	"tickover/model"
)

// C10 finds what a reversed transformer does to the power in total, also where one
// phase alone carries load or only the total is read.
func TestPowerThatCountsBackwardsIsFound(t *testing.T) {
	rating := model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50}
	for name, c := range map[string]struct {
		amps, watts [3]float64
		total       float64 // W; 0: not read
		want        model.Outcome
	}{
		"sound":                         {[3]float64{20, 20, 20}, [3]float64{4600, 4600, 4600}, 0, model.Pass},
		"two of three reversed":         {[3]float64{20, 20, 20}, [3]float64{4600, -4600, -4600}, 0, model.Finding},
		"the loaded phase reversed":     {[3]float64{20, 0, 0}, [3]float64{-4600, 0, 0}, 0, model.Finding},
		"only the total, reversed":      {[3]float64{20, 20, 20}, [3]float64{}, -13800, model.Finding},
		"reactive load":                 {[3]float64{20, 0, 0}, [3]float64{-0.09 * 4600, 0, 0}, 0, model.Pass},
		"a little more than that":       {[3]float64{20, 0, 0}, [3]float64{-0.11 * 4600, 0, 0}, 0, model.Finding},
		"no load":                       {[3]float64{}, [3]float64{}, 0, model.CannotTell},
		"one of three reversed, see C9": {[3]float64{20, 20, 20}, [3]float64{4600, 4600, -4600}, 0, model.Pass},
	} {
		w := NewEvidence(model.Setup{Rating: rating})
		for second := range 30 {
			scan := &model.Scan{Group: "meter/1s", At: model.Instant{Boot: 1, Offset: time.Duration(second) * time.Second}}
			add := func(id model.PointID, v float64) { scan.Samples = append(scan.Samples, model.GoodSample(id, v)) }
			add(model.EngineStatePoint, float64(model.Loaded))
			for k := range 3 {
				add(model.PhaseVoltages[k], 230)
				add(model.PhaseCurrents[k], c.amps[k])
				if c.total == 0 {
					add(model.PhaseActive[k], c.watts[k])
				}
			}
			if c.total != 0 {
				add(model.PowerActive, c.total)
			}
			w.Step(scan)
		}
		if got := w.allReversed(); got.Outcome != c.want {
			t.Errorf("%s: %s, want %s: %s", name, got.Outcome, c.want, got.Words)
		}
	}
}
