package performance

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"tickover/model"
	"tickover/testdata/rundown"
)

// A reversed current transformer is the first finding. What depends on power is not
// determined then, for that reason, and a load put on is not called load off.
func TestAReversedTransformerSpoilsWhatDependsOnPower(t *testing.T) {
	random := rand.New(rand.NewPCG(16, 14))
	for name, reversed := range map[string][3]bool{"L1": {true}, "L1 and L3": {true, false, true}, "all three phases": {true, true, true}, "": {}} {
		s := rundown.Random(random)
		s.Droop, s.NoLoad, s.Cut, s.Reversed = 0.04, 1.04, 260, reversed
		s.Counter = 4322 * 3.6e6
		s.Loads = []rundown.Load{{At: 60, Share: 1}, {At: 130}}
		rec := record(t, votedInput(s, 0.5, 0.1, 0.2))
		if len(rec.Steps) != 2 {
			t.Fatalf("%s reversed: %d steps", name, len(rec.Steps))
		}
		for i, want := range []string{"load on", "load off"} {
			if f := rec.Steps[i].Figures[0]; !strings.Contains(f.Name, want) {
				t.Errorf("%s reversed: step %d has %q, want %q", name, i+1, f.Name, want)
			}
		}
		if found := strings.Contains(rec.Findings[0], "Wiring: the power of "+name+" is negative on load"); found != (name != "") {
			t.Errorf("%s reversed: first found %q", name, rec.Findings[0])
		}
		for _, of := range []string{"frequency droop", "highest load", "energy delivered", "energy by the meter's counter", "average load", "time at load below 30 %",
			"no-load setting for rated frequency at full load", "frequency regulation, older test method"} {
			f := figureOf(t, rec.Figures, of)
			if f.Known != (name == "") || name != "" && (f.Verdict == model.Within || f.Verdict == model.Outside || !strings.Contains(f.Reason, "negative on load")) {
				t.Errorf("%s reversed: %s is %+v", name, of, f)
			}
		}
		for _, f := range rec.Figures {
			if f.Verdict == model.Outside {
				t.Errorf("%s reversed: %s is outside: %+v", name, f.Name, f)
			}
		}
	}
}

// A counter that runs backwards was not reset: a reset begins again near nothing.
func TestACounterThatRunsBackwardsWasNotReset(t *testing.T) {
	for name, c := range map[string]struct {
		counts         []float64 // in kWh
		gained, back   float64
		resets, rolled int
	}{
		"one tick back and on": {[]float64{4322.15, 4322.14, 4322.15, 4322.25}, 0.11, 0.01, 0, 0},
		"backwards":            {[]float64{4322.15, 4322.10, 4322.05, 4322.00}, 0, 0.15, 0, 0},
		"reset":                {[]float64{4322.15, 4322.20, 0.01, 0.03}, 0.08, 0, 1, 0},
		"rolled over":          {[]float64{9999.95, 9999.99, 0.01, 0.03}, 0.08, 0, 0, 1},
		"new, one tick back":   {[]float64{0.02, 0.03, 0.02, 0.03}, 0.02, 0.01, 0, 0},
	} {
		k := counter{ranges: []float64{10000 * 3.6e6}}
		for _, v := range c.counts {
			k.add(v * 3.6e6)
		}
		if math.Abs(k.gained/3.6e6-c.gained) > 1e-6 || math.Abs(k.back/3.6e6-c.back) > 1e-6 || k.resets != c.resets || k.rolls != c.rolled {
			t.Errorf("%s: gained %.3f kWh, back %.3f, %d resets, %d rolled; want %+v", name, k.gained/3.6e6, k.back/3.6e6, k.resets, k.rolls, c)
		}
	}
}

// Five readings under load make a finding, when more than nine of ten are negative.
func TestHowManyReadingsCountBackwards(t *testing.T) {
	for _, c := range []struct {
		negative, positive int
		watts              float64
		want               bool
	}{{5, 0, 1000, true}, {4, 0, 1000, false}, {19, 1, 1000, true}, {9, 1, 1000, false}, {50, 0, 400, false}} {
		w := backwards{}
		for i := range c.negative + c.positive {
			v := c.watts
			if i < c.negative {
				v = -v
			}
			w.see([]newReading{{&pointTrack{role: activeRole + 1}, 0, v}}, 1000)
		}
		if got := w.reason() == "the power of L2 is negative on load"; got != c.want {
			t.Errorf("%+v: %q", c, w.reason())
		}
	}
}
