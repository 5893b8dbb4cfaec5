package electrical

import "tickover/model"

// value is what a scan has of one point.
type value struct {
	v     float64
	there bool // the scan has the point
	good  bool
}

// inputs is what Derive looks at, gathered in one pass so that a scan costs no
// search per formula and no allocation.
type inputs struct {
	ln, ll, i, p, q, s, pf    [3]value
	f, power, reactive, appar value
	factor                    value
}

// slot returns where a point's value belongs, nil when no formula needs it.
func (in *inputs) slot(p model.PointID) *value {
	switch p {
	case model.FrequencyPoint:
		return &in.f
	case model.PowerActive:
		return &in.power
	case model.PowerReactive:
		return &in.reactive
	case model.PowerApparent:
		return &in.appar
	case model.PowerFactorTotal:
		return &in.factor
	}
	for k := range 3 {
		switch p {
		case model.PhaseVoltages[k]:
			return &in.ln[k]
		case model.LineVoltages[k]:
			return &in.ll[k]
		case model.PhaseCurrents[k]:
			return &in.i[k]
		case model.PhaseActive[k]:
			return &in.p[k]
		case model.PhaseReactive[k]:
			return &in.q[k]
		case model.PhaseApparent[k]:
			return &in.s[k]
		case model.PhasePowerFactor[k]:
			return &in.pf[k]
		}
	}
	return nil
}

func gather(scan *model.Scan) (in inputs) {
	for k := range scan.Samples {
		s := &scan.Samples[k]
		if to := in.slot(s.Point); to != nil {
			*to = value{s.Value, true, s.Quality == model.Good}
		}
	}
	return in
}

// all reports whether every value is there, and whether every one is good.
func all(values ...value) (there, good bool) {
	there, good = true, true
	for _, v := range values {
		there, good = there && v.there, good && v.good
	}
	return there, good
}

func numbers(v [3]value) [3]float64 { return [3]float64{v[0].v, v[1].v, v[2].v} }
