package performance

import (
	"fmt"
	"math"

	"tickover/model"
	"tickover/model/electrical"
)

// means returns the means of three points in a span; false unless all are there.
func (s steadySpan) means(ids [3]model.PointID) (v [3]float64, ok bool) {
	ok = true
	for i, p := range ids {
		spread, there := s.Points[p]
		v[i], ok = spread.Mean, ok && there
	}
	return v, ok
}

// worstSpan is a figure of the steady span in which it was highest.
func (r *recorder) worstSpan(why string, of func(steadySpan) (measure, bool)) measure {
	worst := unknown(why)
	for _, s := range r.steady.found {
		m, ok := of(s)
		if !ok || math.IsNaN(m.value) || worst.known && m.value <= worst.value {
			continue
		}
		m.lo, m.seen = max(m.lo, 0), seconds(s.usual)
		if !math.IsNaN(s.Load) {
			m.note = fmt.Sprintf("at %s kW; %s", short(math.Round(s.Load/10)/100), m.note)
		}
		worst = m
	}
	return worst
}

// asymmetry writes down how unlike the phases were: the worst steady span of
// each measure, with what the instruments may be wrong by.
func (r *recorder) asymmetry() []model.Figure {
	line := r.gain(r.in.Rating.Voltage, model.LineVoltages[:]...)
	phase := r.gain(r.in.Rating.PhaseVoltage(), model.PhaseVoltages[:]...)
	three := func(ids [3]model.PointID, good accuracy, formula func(a, b, c float64) float64,
	) func(steadySpan) (measure, bool) {
		return func(s steadySpan) (measure, bool) {
			v, ok := s.means(ids)
			f := func(v []float64) float64 { return 100 * formula(v[0], v[1], v[2]) }
			m := plain(f(v[:]), corners(v[:], good.gain, f))
			m.note = good.text
			return m, ok && v[0]+v[1]+v[2] > 0
		}
	}
	const noLine = "no steady span has all three line-to-line voltages"
	const noPhase = "no steady span has all three voltages to neutral"
	list := []model.Figure{
		r.worstSpan(noLine, three(model.LineVoltages, line, electrical.Unbalance)).
			figure("voltage unbalance, NEMA MG 1", "LVUR", "%", fixedLimit{}),
		r.worstSpan(noLine, three(model.LineVoltages, line, electrical.NegativeSequence)).
			figure("negative-sequence voltage", "u2", "%",
				fixedLimit{2, "≤ 2 %", "EN 50160, 95 % of a week", fromMemory}),
		r.worstSpan(noPhase, three(model.PhaseVoltages, phase, electrical.Unbalance)).
			figure("phase voltage unbalance", "PVUR", "%", fixedLimit{}),
		r.worstSpan(noLine+" and to neutral", func(s steadySpan) (measure, bool) {
			ll, ok := s.means(model.LineVoltages)
			ln, both := s.means(model.PhaseVoltages)
			gain := max(line.gain, phase.gain)
			m := plain(electrical.ZeroSequence(ln, ll),
				electrical.ZeroSequenceUncertainty(ln, ll, gain))
			m.note = "star point from six magnitudes; " + line.text
			return m, ok && both
		}).figure("star-point shift", "U0", "V", fixedLimit{}),
	}
	list = append(list, r.currentAsymmetry()...)
	return append(list, r.neutral())
}

// currentAsymmetry is the part that needs currents, and rated ones for most.
func (r *recorder) currentAsymmetry() []model.Figure {
	const none = "no steady span has all three currents"
	rated := r.in.Rating.Current()
	good := r.gain(rated, model.PhaseCurrents[:]...)
	percent := func(v []float64) float64 { return 100 * electrical.Unbalance(v[0], v[1], v[2]) }
	list := []model.Figure{
		r.worstSpan(none+" at a tenth of rated or more", func(s steadySpan) (measure, bool) {
			i, ok := s.means(model.PhaseCurrents)
			m := plain(percent(i[:]), corners(i[:], good.gain, percent))
			m.note = good.text
			return m, ok && i[0]+i[1]+i[2] >= 0.3*rated && rated > 0
		}).figure("current unbalance", "", "%", fixedLimit{}),
	}
	if rated <= 0 {
		return append(list,
			model.NotKnown("negative-sequence current", "I2/IN", "%", "no rated current is given"))
	}
	negative := r.worstSpan(none,
		func(s steadySpan) (measure, bool) { return r.sequence(s, good, 1) })
	zero := r.worstSpan(none, func(s steadySpan) (measure, bool) { return r.sequence(s, good, 2) })
	list = append(
		list,
		negative.figure(
			"negative-sequence current",
			"I2/IN",
			"%",
			fixedLimit{100 * electrical.NegativeLimitIEC, "≤ 8 %",
				"IEC 60034-1, salient poles, indirectly cooled, continuous", fromMemory},
		),
		zero.figure("zero-sequence current", "I0/IN", "%", fixedLimit{}),
		r.heating(),
		r.permissible("IEC 60034-1, from memory", electrical.NegativeLimitIEC),
		r.permissible("ANSI/IEEE C50.12, damper winding connected", electrical.NegativeLimitANSI),
	)
	return list
}

// sequence is the negative (1) or zero (2) sequence current of a span in % of
// rated, by the angles where active and reactive power of each phase are read.
func (r *recorder) sequence(s steadySpan, good accuracy, which int) (measure, bool) {
	rated := r.in.Rating.Current()
	p, okP := s.means(model.PhaseActive)
	q, okQ := s.means(model.PhaseReactive)
	u, okU := s.means(model.PhaseVoltages)
	i, okI := s.means(model.PhaseCurrents)
	pick := func(one, two, zero float64) float64 {
		return 100 * [3]float64{one, two, zero}[which] / rated
	}
	v, formula := i[:], func(v []float64) float64 {
		return pick(electrical.Sequence(v[0], v[1], v[2]))
	}
	words := "from magnitudes, equal power factors assumed; "
	if okP && okQ && okU {
		v, words = []float64{1, 1, 1}, "from active and reactive power of each phase; "
		formula = func(g []float64) float64 {
			var a, b [3]float64
			for k := range 3 {
				a[k], b[k] = g[k]*p[k], g[k]*q[k]
			}
			return pick(electrical.SequencePQ(a, b, u))
		}
	} else if !okI {
		return measure{}, false
	}
	m := plain(formula(v), corners(v, good.gain, formula))
	m.note = words + good.text
	return m, true
}

// heating holds the longest stretch of unbalance against what the rotor's
// surface takes.
func (r *recorder) heating() model.Figure {
	const name, symbol = "rotor heating by unbalance", "(I2/IN)²t"
	a := &r.unbalance
	if a.tracks.track(model.NegativeCurrent) == nil {
		return model.NotKnown(name, symbol, "s", "no negative-sequence current was measured")
	}
	m := measure{known: true, value: a.i2[1].most, lo: a.i2[0].most, hi: a.i2[2].most,
		bound: model.Interval}
	m.note = fmt.Sprintf(
		"the largest of one continuous period with I2/IN above 8 %%; %s s in total, the "+
			"longest %s s",
		short(math.Round(a.i2[1].total)),
		short(math.Round(a.i2[1].longest)),
	)
	return m.figure(
		name,
		symbol,
		"s",
		fixedLimit{electrical.NegativeHeatIEC, "≤ 20 s",
			"IEC 60034-1, salient poles, indirectly cooled", fromMemory},
	)
}

// permissible is what this set may carry on one phase alone.
func (r *recorder) permissible(source string, limit float64) model.Figure {
	amps := electrical.SinglePhaseLoad(r.in.Rating.Current(), limit)
	f := number(fmt.Sprintf("load on one phase, I2/IN %s %%", percent(limit)), "A", amps, "")
	f.Note = fmt.Sprintf("permissible: %s kVA; three times the limit times rated current, %s",
		short(math.Round(amps*r.in.Rating.PhaseVoltage()/10)/100), source)
	return f
}

// neutral is for how long the neutral was suspect.
func (r *recorder) neutral() model.Figure {
	const name = "neutral suspect"
	if !r.unbalance.seen {
		return model.NotKnown(name, "", "s",
			"needs all three voltages to neutral and all three line voltages, measured together")
	}
	f := number(name, "s", r.unbalance.neutral.total, "")
	f.Limit, f.LimitSource, f.Confidence, f.Verdict = "none", "derived: star-point shift above "+
		"5 V, the measurement uncertainty and twice u2", "derived", model.Within
	f.Note = "a broken neutral shows only when the meter's neutral lead is on the load side of " +
		"the break"
	if f.Value > 0 {
		f.Verdict, f.Reason = model.Outside, "the voltages to neutral diverge as with a broken "+
			"neutral: check its joints first"
	}
	return f
}
