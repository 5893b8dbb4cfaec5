package winding

import (
	"math"

	"tickover/model"
)

// halvingFactor returns the factor that corrects an insulation resistance from t °C
// to 40 °C by the halving rule of IEEE 43: the resistance halves every 10 K.
func halvingFactor(t float64) float64 { return math.Pow(0.5, (40-t)/10) }

// thermosettingFactor returns the factor of the 2013 edition of IEEE 43 for
// thermosetting insulation (from memory). It reports false outside 10..85 °C,
// where the edition has no formula.
func thermosettingFactor(t float64) (factor float64, ok bool) {
	k := 4230.0
	if t < 40 {
		k = 1245
	}
	return math.Exp(-k * (1/(t+273) - 1.0/313)), t >= 10 && t <= 85
}

// Minimums of IEEE 43 at 40 °C, Ω.
const (
	minimumRandomWound = 5e6 // random-wound, and form-wound below 1 kV
	doNotExcite        = 1e6 // floor of low-voltage alternators (common practice)
	pastPolarization   = 5e9 // above it the polarization index says nothing
)

// minimumOld is IEEE 43's rule for windings of before about 1970, in Ω for a
// line-to-line voltage in V: kV + 1 MΩ.
func minimumOld(volts float64) float64 { return (volts/1000 + 1) * 1e6 }

const ieee43 = "IEEE 43-2013"

// insulation judges one reading. The halving rule is the default; the other
// formula and the older minimum are shown next to it.
func insulation(m *model.Measurement, rating model.Rating) []model.Figure {
	t, ok := m.Conditions[model.WindingTemperature]
	if !ok {
		return []model.Figure{model.NotKnown("insulation at 40 °C", "R_40", "MΩ",
			"the winding temperature is not known")}
	}
	at40 := m.Value * halvingFactor(t)
	main := model.Figure{Name: "insulation at 40 °C, halving rule", Symbol: "R_40",
		Value: at40 / 1e6, Unit: "MΩ", Known: true, Limit: "≥ 5 MΩ",
		LimitSource: ieee43 + ", random-wound or below 1 kV", Confidence: "seen",
		Verdict: model.Within, Note: "R40 = R · 0.5^((40-t)/10), approximate"}
	switch {
	case at40 < doNotExcite:
		main.Verdict, main.Reason = model.Outside, "below 1 MΩ: do not excite; dry or clean, "+
			"and measure again"
	case at40 < minimumRandomWound:
		main.Verdict, main.Reason = model.Outside, "between 1 and 5 MΩ: continue drying, and "+
			"measure again"
	}
	return append(
		[]model.Figure{main, thermosetting(m.Value, t), old(at40, rating)},
		ratios(m, at40)...)
}

func thermosetting(r, t float64) model.Figure {
	factor, ok := thermosettingFactor(t)
	f := model.Figure{Name: "insulation at 40 °C, thermosetting formula", Symbol: "R_40",
		Value: r * factor / 1e6, Unit: "MΩ", Known: ok, Limit: "≥ 5 MΩ", LimitSource: ieee43,
		Confidence: "from memory", Verdict: model.NoLimit,
		Note: "for comparison; the halving rule is judged"}
	if !ok {
		f.Verdict, f.Reason = model.NotDetermined, "the formula is valid from 10 to 85 °C"
	}
	return f
}

func old(at40 float64, rating model.Rating) model.Figure {
	if rating.Voltage <= 0 {
		return model.NotKnown("by the rule before 1970", "R_40", "MΩ",
			"the rated voltage is not given")
	}
	limit := minimumOld(rating.Voltage)
	f := model.Figure{Name: "by the rule before 1970", Symbol: "R_40", Value: at40 / 1e6,
		Unit: "MΩ", Known: true, Limit: "≥ " + model.Resistance.ShowWithUnit(limit),
		LimitSource: "IEEE 43, kV + 1 MΩ", Confidence: "seen", Verdict: model.Within}
	if at40 < limit {
		f.Verdict, f.Reason = model.Outside, "below kV + 1 MΩ"
	}
	return f
}

// ratios are trends only: absorption is over within minutes in a small
// random-wound machine.
func ratios(m *model.Measurement, at40 float64) []model.Figure {
	var all []model.Figure
	add := func(name, symbol string, top, bottom float64) {
		f := model.Figure{Name: name, Symbol: symbol, Value: top / bottom, Unit: "", Known: true,
			Verdict: model.NoLimit, Note: "a trend only on a small random-wound machine"}
		if at40 > pastPolarization {
			f = model.NotKnown(name, symbol, "", "above 5 GΩ the ratio is not meaningful (IEEE 43)")
		}
		all = append(all, f)
	}
	if v := m.Conditions[model.After30Seconds]; v > 0 {
		add("absorption ratio, 60 s over 30 s", "DAR", m.Value, v)
	}
	if v := m.Conditions[model.After10Minutes]; v > 0 {
		add("polarization index, 10 min over 1 min", "PI", v, m.Value)
	}
	return all
}
