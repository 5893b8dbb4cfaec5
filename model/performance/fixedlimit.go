package performance

import (
	"math"

	"tickover/model"
	"tickover/model/electrical"
)

// own is a limit that a figure has whatever set of limits the run is judged by.
type fixedLimit struct {
	max                      float64
	text, source, confidence string
}

// figure writes a measure down against a limit of its own.
func (m measure) figure(name, symbol, unit string, l fixedLimit) model.Figure {
	f := model.NotKnown(name, symbol, unit, m.why)
	if m.known {
		f.Known, f.Value, f.Bound, f.Uncertainty = true, m.value, m.bound, m.unc
		f.Note, f.Seen = m.note, m.seen
		if m.bound == model.Interval {
			f.Low, f.High = m.lo, m.hi
		}
	}
	if l.text == "" {
		if m.known {
			f.Verdict, f.Reason = model.NoLimit, ""
		}
		return f
	}
	f.Limit, f.LimitSource, f.Confidence = l.text, l.source, l.confidence
	f.Verdict, f.Reason = m.verdict(l.max, l.max)
	return f
}

// accuracy is how far an instrument's reading may be off, as a ratio.
type accuracy struct {
	gain float64
	text string
}

// gain is the accuracy of points whose usual value is given: what their
// instruments state, else that of a class 0.5 meter.
func (r *recorder) gain(usual float64, ids ...model.PointID) accuracy {
	gain, stated := electrical.Gain(r.in.Sensors, usual, ids...)
	if !stated {
		return accuracy{gain, assumed}
	}
	return accuracy{gain, "uncertainty from the instruments' stated accuracy"}
}

// corners returns by how much a formula of values may be off when each of them
// is off by up to gain: the worst of all corners.
func corners(v []float64, gain float64, formula func([]float64) float64) float64 {
	right, worst := formula(v), 0.0
	moved := make([]float64, len(v))
	for corner := range 1 << len(v) {
		for i := range v {
			moved[i] = v[i] * (1 + gain*float64(2*(corner>>i&1)-1))
		}
		worst = max(worst, math.Abs(formula(moved)-right))
	}
	return worst
}
