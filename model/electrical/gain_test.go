package electrical

import (
	"testing"

	"tickover/model"
)

// A shift of 7 V speaks for a broken neutral to a meter of class 0.2, and is
// within the doubt of one of class 1 and of one that states nothing.
func TestSuspicionFollowsTheMetersClass(t *testing.T) {
	r := model.Rating{ApparentPower: 50e3, Voltage: 400, Frequency: 50}
	stated := func(class float64) (points []model.Point) {
		for k := range 3 {
			points = append(points, model.Point{ID: model.PhaseVoltages[k], Class: class * r.PhaseVoltage()}, model.Point{ID: model.LineVoltages[k], Class: class * r.Voltage})
		}
		return points
	}
	ln, ll := phasors([3]float64{230, 230, 230}, 7, 0)
	for name, c := range map[string]struct {
		points []model.Point
		gain   float64
		want   float64
	}{
		"class 0.2":          {stated(0.002), 0.002, 1},
		"class 1":            {stated(0.01), 0.01, 0},
		"nothing stated":     {nil, assumedGain, 0},
		"one states nothing": {stated(0.002)[:5], assumedGain, 0},
	} {
		gain := VoltageGain(c.points, r)
		if d := gain - c.gain; d > 1e-12 || d < -1e-12 {
			t.Errorf("%s: gain %g", name, gain)
		}
		s := &model.Scan{}
		for k := range 3 {
			s.Samples = append(s.Samples, model.GoodSample(model.PhaseVoltages[k], ln[k]), model.GoodSample(model.LineVoltages[k], ll[k]))
		}
		Derive(r, gain, s)
		if got, ok := s.Find(model.NeutralSuspect); !ok || got.Value != c.want {
			t.Errorf("%s: %+v", name, got)
		}
	}
}
