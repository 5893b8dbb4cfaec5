package performance

import (
	"fmt"
	"math"

	"tickover/model"
)

// figures writes the judged figures in the standard's order, then those
// without a limit.
func (r *recorder) figures(j *judgement, set int) []model.Figure {
	var list []model.Figure
	for k := range keys {
		list = append(list, j.figure(k, set))
	}
	list = append(list, r.regulation()...)
	list = append(list, r.noLoadSetting(j), r.hunting(), r.excitation())
	list = append(list, r.asymmetry()...)
	list = append(list, r.loading()...)
	list = append(list, r.fuel())
	return append(list, r.thermal()...)
}

// regulation is the change from no load to the highest load over the value
// at load, as the older army test method defines it (US TM 9-6115-464-34).
func (r *recorder) regulation() []model.Figure {
	const f, v = "frequency regulation, older test method", "voltage regulation, older test method"
	none, full, why := r.noLoadAndFull()
	if why != "" {
		return []model.Figure{model.NotKnown(f, "", "%", why), model.NotKnown(v, "", "%", why)}
	}
	note := fmt.Sprintf("no load against %s kW", short(math.Round(full.Load/10)/100))
	ratio := func(name string, a, b, doubt float64, ok bool) model.Figure {
		if !ok || b == 0 {
			return model.NotKnown(name, "", "%", "not measured in both spans")
		}
		return model.Figure{Name: name, Value: 100 * (a - b) / b, Unit: "%", Known: true,
			Verdict: model.NoLimit, Note: note, Uncertainty: doubt}
	}
	u0, ok0 := r.steadyVoltage(none)
	u1, ok1 := r.steadyVoltage(full)
	return []model.Figure{
		ratio(f, none.Points[model.FrequencyPoint].Mean, full.Points[model.FrequencyPoint].Mean,
			100*frequencyStep/full.Points[model.FrequencyPoint].Mean, true),
		ratio(v, u0, u1, voltageStep, ok0 && ok1),
	}
}

// loading is how much the set was loaded, and for how long.
func (r *recorder) loading() []model.Figure {
	s := &r.soakLog
	if s.counted == 0 {
		return []model.Figure{
			model.NotKnown("energy delivered", "", "kWh", "active power was not measured")}
	}
	list := append([]model.Figure{number("highest load", "kW", s.top/1000, "")}, r.energy()...)
	rated := r.in.Rating.ActivePower()
	if rated <= 0 {
		return append(list, model.NotKnown("average load", "P_pp", "%", "no rated power is given"))
	}
	average := number("average load", "%", 100*s.weighted/s.counted/rated, "")
	average.Symbol, average.Note = "P_pp", "ISO 8528-1: loads below 30 % count as 30 %, "+
		"standstill excluded (from memory)"
	list = append(list, average)
	names := [5]string{"below 30 %", "30 to 50 %", "50 to 75 %", "75 to 100 %", "above 100 %"}
	for i, t := range s.bands {
		list = append(list, number("time at load "+names[i], "min", t/60, ""))
	}
	return append(list, r.lowLoad())
}

// hunting is the widest swing of the frequency in any minute of constant load.
func (r *recorder) hunting() model.Figure {
	const name = "hunting index"
	at := -1
	for i, s := range r.steady.found {
		if s.swings > 0 && (at < 0 || s.swing > r.steady.found[at].swing) {
			at = i
		}
	}
	if at < 0 {
		return model.NotKnown(name, "", "Hz", noFrequency)
	}
	s := r.steady.found[at]
	m := plain(s.swing, frequencyStep)
	m.bound, m.seen = model.AtLeast, seconds(s.usual)
	m.note = "highest minus lowest frequency in a minute of steady load"
	if !math.IsNaN(s.Load) {
		m.note += fmt.Sprintf(", at %s kW", short(math.Round(s.Load/10)/100))
	}
	return m.figure(name, "", "Hz", fixedLimit{})
}

// lowLoad is the longest stretch that leaves a diesel engine too cold.
func (r *recorder) lowLoad() model.Figure {
	f := number("longest time below 30 % of rated power", "min", r.soakLog.low.longest/60, "")
	f.Note = "no load included; long running below 30 % leaves unburnt fuel in the exhaust " +
		"(common practice)"
	return f
}

// noLoadSetting is the frequency to set without load so that the rated load
// lands on the rated frequency.
func (r *recorder) noLoadSetting(j *judgement) model.Figure {
	const name = "no-load setting for rated frequency at full load"
	d := j.of(droop, 0)
	if !d.known {
		return model.NotKnown(name, "f_i,r", "Hz", d.why)
	}
	rated := r.in.Rating.Frequency
	f := number(name, "Hz", rated*(1+d.value/100), "")
	f.Symbol, f.Uncertainty, f.Note = "f_i,r", rated*d.unc/100, "from the measured droop"
	return f
}
