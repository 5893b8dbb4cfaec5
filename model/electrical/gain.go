package electrical

import (
	"slices"

	"tickover/model"
)

// assumedGain is how far a channel is taken to be off, as a ratio, when its
// accuracy is not stated: class 0.5 (common practice).
const assumedGain = 0.005

// Gain returns how far channels may be off, as a ratio: the worst of what their
// points state over their usual value, in its canonical unit. It is assumedGain
// and false when one of them states nothing or usual is not known.
func Gain(points []model.Point, usual float64, ids ...model.PointID) (gain float64, stated bool) {
	for _, id := range ids {
		i := slices.IndexFunc(points, func(p model.Point) bool { return p.ID == id })
		if i < 0 || points[i].Class <= 0 || usual <= 0 {
			return assumedGain, false
		}
		gain = max(gain, points[i].Class/usual)
	}
	return gain, true
}

// VoltageGain returns how far the six voltage channels may be off, as a ratio:
// the worse of phases and lines by Gain, at rated voltage.
func VoltageGain(points []model.Point, r model.Rating) float64 {
	phase, _ := Gain(points, r.PhaseVoltage(), model.PhaseVoltages[:]...)
	line, _ := Gain(points, r.Voltage, model.LineVoltages[:]...)
	return max(phase, line)
}
