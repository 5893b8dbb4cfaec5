package wiring

import (
	"math"
	"slices"

	"tickover/model"
)

// meterReading is one reading of the three-phase meter. What is missing is NaN.
type meterReading struct {
	ln, ll, i, p, q, s, pf [3]float64
	f, n, total, energy    float64
}

// read takes the meter's points out of a scan; false when it has none.
func read(scan *model.Scan) (m meterReading, ok bool) {
	get := func(id model.PointID) float64 {
		s, there := scan.Find(id)
		if !there || s.Quality != model.Good {
			return math.NaN()
		}
		ok = true
		return s.Value
	}
	for k := range 3 {
		m.ln[k], m.ll[k], m.i[k] = get(model.PhaseVoltages[k]), get(model.LineVoltages[k]), get(
			model.PhaseCurrents[k])
		m.p[k], m.q[k], m.s[k], m.pf[k] = get(model.PhaseActive[k]), get(
			model.PhaseReactive[k]), get(
			model.PhaseApparent[k],
		), get(model.PhasePowerFactor[k])
	}
	m.f, m.n, m.total, m.energy = get(model.FrequencyPoint), get(model.CurrentN), get(
		model.PowerActive), get(
		model.EnergyActive,
	)
	return m, ok
}

// allKnown reports whether none is NaN.
func allKnown(v ...float64) bool {
	return !slices.ContainsFunc(v, math.IsNaN)
}

// phaseOf is the phase voltage of a rating in V, 230 when none is given.
func phaseOf(r model.Rating) float64 {
	if v := r.PhaseVoltage(); v > 0 {
		return v
	}
	return 230
}

func sum(v [3]float64) float64 { return v[0] + v[1] + v[2] }

// pile gathers values whose median is wanted: a transient or a garbled reading
// moves no median.
type pile []float64

// mostPiled bounds a pile; once full every second value is dropped.
const mostPiled = 8192

func (p *pile) add(v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	if *p = append(*p, v); len(*p) >= mostPiled {
		for i := range len(*p) / 2 {
			(*p)[i] = (*p)[2*i]
		}
		*p = (*p)[:len(*p)/2]
	}
}

func (p pile) median() float64 { return p.quantile(0.5) }

func (p pile) quantile(q float64) float64 {
	if len(p) == 0 {
		return math.NaN()
	}
	sorted := slices.Sorted(slices.Values(p))
	return sorted[min(int(q*float64(len(sorted))), len(sorted)-1)]
}
