package performance

import (
	"fmt"
	"math"

	"tickover/model"
)

// influence works out from one-phase steps what load on each phase does to the
// voltage of each.
func (r *recorder) influence() *model.Influence {
	in := model.Influence{}
	var phase, line [3]fit
	any := false
	for _, s := range r.steps {
		j := singlePhase(s.step.Phases)
		if j < 0 {
			continue
		}
		a, okA := s.step.Before[model.PhaseActive[j]]
		b, okB := s.step.After[model.PhaseActive[j]]
		if !okA || !okB {
			continue
		}
		change := math.Abs(b) - math.Abs(a) // whichever way it counts
		in.Steps[j]++
		any = true
		for i := range 3 {
			if dv, ok := difference(s.step, model.PhaseVoltages[i]); ok {
				phase[i].add(j, change, dv)
			}
			if dv, ok := difference(s.step, model.LineVoltages[i]); ok {
				line[i].add(j, change, dv)
			}
		}
	}
	if !any {
		return nil
	}
	for i := range 3 {
		for j := range 3 {
			in.VoltsPerWatt[i][j] = phase[i].slope(j)
		}
	}
	in.Senses = senses(phase, line, r.in.Rating.ActivePower())
	in.Figures = r.unloadedPhases()
	return &in
}

func singlePhase(phases string) int {
	for i, name := range []string{"L1", "L2", "L3"} {
		if phases == name {
			return i
		}
	}
	return -1
}

// difference is after less before; false unless both are there.
func difference(s model.LoadStep, p model.PointID) (float64, bool) {
	a, okA := s.Before[p]
	b, okB := s.After[p]
	return b - a, okA && okB
}

// fit is a voltage's change over the load of each phase, least squares through
// nothing.
type fit struct{ vp, pp [3]float64 }

func (f *fit) add(j int, watts, volts float64) {
	f.vp[j] += watts * volts
	f.pp[j] += watts * watts
}

func (f *fit) slope(j int) float64 {
	if f.pp[j] == 0 {
		return math.NaN()
	}
	return f.vp[j] / f.pp[j]
}

// senses is the voltage that the regulator holds: the one that load on any
// phase moves least. At least two phases must have been loaded alone, and the
// runner-up must have moved three times as far and by more than 0.2 % of the
// voltage for a third of the rating: below that it is all noise.
func senses(phase, line [3]fit, rated float64) string {
	loaded := 0
	for j := range 3 {
		if phase[0].pp[j] > 0 {
			loaded++
		}
	}
	if loaded < 2 {
		return "not determined: load at least two phases, one at a time"
	}
	mean := fit{pp: phase[0].pp}
	for i := range 3 {
		for j := range 3 {
			mean.vp[j] += phase[i].vp[j] / 3
		}
	}
	best, second, name := math.Inf(1), math.Inf(1), ""
	for _, c := range []struct {
		name  string
		f     fit
		scale float64 // of the voltage over phase to neutral
	}{
		{"the voltage L1 to neutral", phase[0], 1},
		{"the voltage L2 to neutral", phase[1], 1},
		{"the voltage L3 to neutral", phase[2], 1},
		{"the voltage L1-L2", line[0], math.Sqrt(3)},
		{"the voltage L2-L3", line[1], math.Sqrt(3)},
		{"the voltage L3-L1", line[2], math.Sqrt(3)},
		{"the mean of the three phases", mean, 1},
	} {
		moved := c.f.moved() / c.scale
		switch {
		case math.IsNaN(moved):
		case moved < best:
			best, second, name = moved, best, c.name
		case moved < second:
			second = moved
		}
	}
	if full := rated / 3; full <= 0 || second*full < 0.5 || second < 3*best {
		return "not determined: no voltage is held clearly better than the others"
	}
	return "the regulator senses " + name
}

// moved is the root mean square of the slopes known; NaN for none.
func (f fit) moved() float64 {
	sum, n := 0.0, 0.0
	for j := range 3 {
		if f.pp[j] > 0 {
			s := f.slope(j)
			sum, n = sum+s*s, n+1
		}
	}
	return math.Sqrt(sum / n)
}

// unloadedPhases holds the phases without load to the highest, and the loaded
// ones to the lowest voltage that appliances are made for.
func (r *recorder) unloadedPhases() []model.Figure {
	highest, lowest := math.Inf(-1), math.Inf(1)
	shift := math.Inf(-1)
	for _, s := range r.steps {
		j := singlePhase(s.step.Phases)
		if j < 0 {
			continue
		}
		for _, side := range []map[model.PointID]float64{s.step.Before, s.step.After} {
			for i, p := range model.PhaseVoltages {
				v, ok := side[p]
				switch {
				case !ok:
				case i == j:
					lowest = min(lowest, v)
				default:
					highest = max(highest, v)
				}
			}
			if v, ok := side[model.ZeroSequenceVoltage]; ok {
				shift = max(shift, v)
			}
		}
	}
	const why = "no voltage to neutral is measured"
	rated := r.in.Rating.PhaseVoltage()
	good := r.gain(rated, model.PhaseVoltages[:]...)
	limited := func(name string, v, limit, sign float64, words string) model.Figure {
		if math.IsInf(v, 0) {
			return model.NotKnown(name, "", "V", why)
		}
		f := number(name, "V", v, "")
		f.Uncertainty, f.Note = good.gain*v, good.text
		if rated <= 0 {
			return f
		}
		f.Limit, f.LimitSource, f.Confidence = words+" "+short(
			math.Round(limit))+" V", "EN 50160, rated ±10 %", fromMemory
		switch off := sign * (v - limit); {
		case off <= -f.Uncertainty:
			f.Verdict = model.Within
		case off > f.Uncertainty:
			f.Verdict, f.Reason = model.Outside, fmt.Sprintf("%s V, limit %s V", short(v),
				short(limit))
		default:
			f.Verdict, f.Reason = model.NotDetermined, "the limit is within the measurement "+
				"uncertainty"
		}
		return f
	}
	return []model.Figure{
		limited("highest voltage of a phase without the load", highest, 1.1*rated, 1, "≤"),
		limited("lowest voltage of the loaded phase", lowest, 0.9*rated, -1, "≥"),
		number("largest shift of the star point", "V", nanIfInf(shift),
			"the six voltages are not measured together"),
	}
}

func nanIfInf(v float64) float64 {
	if math.IsInf(v, 0) {
		return math.NaN()
	}
	return v
}
