package performance

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"tickover/testdata/rundown"
)

// The energy delivered in a short run holds the truth within its uncertainty, from
// the readings as from the meter's counter, which is preferred where it is finer.
func TestEnergyHoldsTheTruth(t *testing.T) {
	random := rand.New(rand.NewPCG(16, 15))
	byCounter := 0
	for n := range 300 {
		s := rundown.Random(random)
		s.Droop, s.NoLoad, s.Loads = 0.04, 1.04, nil
		for at := 20.0; at < 85; at += 3 + 20*random.Float64() {
			s.Loads = append(s.Loads, rundown.Load{At: at, Share: random.Float64()})
		}
		s.Loads = append(s.Loads, rundown.Load{At: 90})
		if n%3 == 0 {
			s.Counter = 4322 * 3.6e6
		}
		every := []float64{0.25, 0.5, 1, 2, 5}[n%5]
		r := pass(votedInput(s, every, every*random.Float64(), every*random.Float64()))
		truth, list := s.Energy(1000)/3.6e6, r.energy()
		for i, f := range list[:2] {
			if !f.Known {
				continue
			}
			if f.Uncertainty <= 0 || math.Abs(f.Value-truth) > f.Uncertainty {
				t.Errorf("every %v s, %s is %.4f ± %.4f kWh, really %.4f", every, f.Name, f.Value, f.Uncertainty, truth)
			}
			if f.Uncertainty > 0.2*truth*max(1, every/2) {
				t.Errorf("every %v s, %s is %.4f ± %.4f kWh: that says nothing", every, f.Name, f.Value, f.Uncertainty)
			}
			if i == 0 && strings.HasPrefix(f.Note, "by the meter's counter") {
				byCounter++
			}
		}
	}
	if byCounter < 40 || byCounter > 100 {
		t.Errorf("the counter was taken %d times", byCounter)
	}
}
