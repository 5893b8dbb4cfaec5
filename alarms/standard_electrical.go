package alarms

import (
	"slices"
	"time"

	"tickover/model"
)

// measuredVoltages are the voltages that a set is judged by, of those that it
// has: to neutral, or between the lines of a set without a neutral to measure
// against, each with what is rated for it.
func measuredVoltages(r model.Rating, has func(model.PointID) bool) (points []model.PointID, rated float64) {
	all, rated := model.PhaseVoltages, r.PhaseVoltage()
	if !slices.ContainsFunc(all[:], has) {
		all, rated = model.LineVoltages, r.Voltage
	}
	for _, p := range all {
		if has(p) {
			points = append(points, p)
		}
	}
	return points, rated
}

// voltages watches the phases as one: a lost excitation is one alarm, which
// names the phases.
func voltages(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	points, rated := measuredVoltages(r, has)
	if rated <= 0 || len(points) == 0 {
		return nil
	}
	lost := model.AlarmRule{ID: "voltage.lost", Label: "Voltage lost",
		Kind: model.BelowLimit, Point: points[0], Points: points, Limit: 0.85 * rated,
		Deadband: 0.01 * rated, OnDelay: 2 * time.Second, OffDelay: 5 * time.Second, Latch: true,
		ArmedIn: atSpeed, GoodOnce: true,
		Action: "Switch the load off at the breaker before motors overheat. Then look at excitation, regulator and neutral.",
		Basis:  "half as much again as the -10 % of public supply in EN 50160 (from memory); two readings and a second (derived). After load came on, what the class permits is waited for (ISO 8528-5)"}
	class := r.Behaviour()
	if seesLoad(r, has) {
		afterStep(&lost, model.LoadOnTime, class.VoltageRecovery, (1-class.VoltageDip)*rated)
	}
	high := lost
	high.ID, high.Label, high.Kind, high.Limit = "voltage.high", "Voltage high", model.AboveLimit, 1.15*rated
	high.OnDelay, high.ArmedIn, high.GoodOnce = time.Second, warm, false
	high.While, high.Regardless = model.AlarmCondition{}, 0
	if seesLoad(r, has) {
		afterStep(&high, model.LoadOffTime, class.VoltageRecovery, (1+class.VoltageRise)*rated)
	}
	high.Action = "Switch the load off at the breaker before appliances burn. Then look at neutral, regulator and its sensing leads."
	high.Basis = "half as much again as the +10 % of public supply in EN 50160 (from memory), from the first volt on: a regulator without sensing, or a lost neutral, drives it up at once; two readings (derived). After load went off, what the class permits is waited for (ISO 8528-5)"
	off := lost
	off.ID, off.Label, off.Latch = "voltage.off", "Voltage out of band", false
	off.Kind, off.While, off.Regardless = model.OutsideBand, model.AlarmCondition{}, 0
	off.Low, off.Limit, off.OnDelay = 0.90*rated, 1.10*rated, class.VoltageRecovery+5*time.Second
	off.Action = "Set the voltage regulator; compare the three phases and the load on each."
	off.Basis = "±10 % of nominal, the band of public supply in EN 50160 (from memory), for 5 s more than the class may need after a step (ISO 8528-5)"
	return []model.AlarmRule{lost, high, off}
}

// load watches the most loaded phase and the heat in the excitation.
func load(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	var rules []model.AlarmRule
	if r.Current() > 0 && (has(model.CurrentL1) || has(model.CurrentL2) || has(model.CurrentL3)) {
		high := model.AlarmRule{ID: "load.high", Label: "A phase carries more than its rating",
			Kind: model.AboveLimit, Point: model.LoadApparentRatio, Limit: 1.0, Deadband: 0.02, OnDelay: 60 * time.Second,
			OffDelay: 10 * time.Second, ArmedIn: atSpeed, Action: "Move or shed load on the phase that carries most.",
			Basis: "rated current of the nameplate, which is also a third of the kVA on one phase; 60 s lets motors start (common practice)"}
		far := high
		far.ID, far.Label, far.Limit, far.OnDelay = "load.far.high", "A phase is overloaded", 1.10, 5*time.Minute
		far.Action = "Shed load now on the phase that carries most, at its breaker."
		far.Basis = "110 % is for an hour at most and only if the maker allows it; 5 min leave time to shed (common practice)"
		overload(r, &high, &far)
		rules = append(rules, far, high)
	}
	if r.Voltage > 0 && r.Frequency > 0 && has(model.FrequencyPoint) && (has(model.VoltageL1N) || has(model.VoltageL12)) {
		high := model.AlarmRule{ID: "excitation.high", Label: "Too many volts for the speed",
			Kind: model.AboveLimit, Point: model.VoltsPerHertzRatio, Limit: 1.10, Deadband: 0.02, OnDelay: 30 * time.Second,
			OffDelay: 10 * time.Second, ArmedIn: onOwnFuel, Action: "Raise the speed to rated or switch the excitation off; do not idle excited.",
			Basis: "10 % more flux than rated, where iron begins to saturate (common practice)"}
		far := high
		far.ID, far.Label, far.Limit, far.OnDelay = "excitation.far.high", "Far too many volts for the speed", 1.25, 10*time.Second
		far.Basis = "25 % more flux than rated overheats field and regulator within minutes (common practice)"
		rules = append(rules, far, high)
	}
	return rules
}

// overload lets rules of load wait for the hour of overload that the card
// declares: what is well beyond 110 % they warn of as before.
func overload(r model.Rating, high, far *model.AlarmRule) {
	if !r.OverloadHour {
		return
	}
	high.While = model.AlarmCondition{Point: model.OverloadTime, Limit: time.Hour.Seconds()}
	far.While = high.While
	high.Regardless, far.Regardless = overloadMost, overloadFar
	const hour = ". The card declares 110 % for an hour in twelve (ISO 8528-1): until that hour is used up, it warns from "
	high.Basis += hour + "112 % on"
	far.Basis += hour + "115 % on"
}

// What the declared hour of overload is taken for, of rated load: 110 % and the
// error of a class 2 meter; and clearly more than was declared.
const (
	overloadMost = 1.12
	overloadFar  = 1.15
)

// unbalance watches for load on one side, which heats the rotor.
func unbalance(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if r.Current() <= 0 || !has(model.CurrentL1) || !has(model.CurrentL2) || !has(model.CurrentL3) {
		return nil
	}
	permitted := r.PermittedUnbalance()
	far := model.AlarmRule{ID: "current.negative.far", Label: "Load so one-sided that it overheats the rotor", Kind: model.AboveLimit,
		Point: model.RotorHeat, Limit: 0.8, Deadband: 0.1, OffDelay: 60 * time.Second, ArmedIn: atSpeed,
		While:  model.AlarmCondition{Point: model.NegativeCurrent, Limit: permitted},
		Action: "Take load off the phase that carries most, or put as much on the others.",
		Basis:  "80 % of (I2/IN)²·t = 20 s in IEC 60034-1 (from memory), which leaves time to act: 400 s of 20 %, 147 s of 33 %. It counts from a tenth above the permitted unbalance on, and runs back below. I2 is estimated from the three currents"}
	high := far
	high.ID, high.Label, high.OnDelay = "current.negative.high", "Load one-sided for long", 15*time.Minute
	high.Point, high.While, high.Limit, high.Deadband = model.NegativeCurrent, model.AlarmCondition{}, permitted, 0.1*permitted
	high.Basis = "the permitted unbalance of the card; without one 8 % of rated current as negative sequence, the lasting limit of a salient-pole generator in IEC 60034-1 (from memory): one phase alone at 24 % of its rating reaches it"
	note := high
	note.ID, note.Label, note.OnDelay = "current.negative.noted", "Load one-sided", 60*time.Second
	rules := []model.AlarmRule{far, high, note}
	neutral := model.NeutralEstimate
	if has(model.CurrentN) {
		neutral = model.CurrentN
	}
	return append(rules, model.AlarmRule{ID: "current.n.high", Label: "Neutral carries more than a phase may", Kind: model.AboveLimit,
		Point: neutral, Limit: r.Current(), Deadband: 0.02 * r.Current(), OnDelay: 60 * time.Second, OffDelay: 10 * time.Second, ArmedIn: atSpeed,
		Action: "Spread the loads over the phases; electronic loads add up in the neutral even when they are spread.",
		Basis:  "rated phase current: the neutral is seldom thicker than a phase (common practice)"})
}

// lowLoad watches for a diesel that is run too light to burn clean.
func lowLoad(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if r.ActivePower() <= 0 || !has(model.PowerActive) && !has(model.PowerActiveL1) {
		return nil
	}
	long := model.AlarmRule{ID: "load.low.long", Label: "Run too light for two hours", Kind: model.BelowLimit, Point: model.LoadRatio,
		Limit: 0.30, Deadband: 0.05, OnDelay: 2 * time.Hour, OffDelay: 5 * time.Minute, ArmedIn: atSpeed,
		Action: "Add load, or end the run; then run it hot at half load or more to burn the soot off.",
		Basis:  "30 % of rated power, below which a diesel soots up (common practice; 40 and 50 % are named as well)"}
	short := long
	short.ID, short.Label, short.OnDelay = "load.low", "Run light", 30*time.Minute
	return []model.AlarmRule{long, short}
}

// neutral watches for a broken neutral, which sends line voltage into
// appliances for 230 V.
func neutral(has func(model.PointID) bool) []model.AlarmRule {
	for i := range 3 {
		if !has(model.PhaseVoltages[i]) || !has(model.LineVoltages[i]) {
			return nil
		}
	}
	lost := model.AlarmRule{ID: "neutral.lost", Label: "Neutral lost or nearly so", Kind: model.AboveLimit, Point: model.ZeroSequenceVoltage,
		Limit: 15, Deadband: 3, While: model.AlarmCondition{Point: model.NeutralSuspect, Limit: 0.5}, OnDelay: time.Second, OffDelay: 5 * time.Second, Latch: true, ArmedIn: onOwnFuel,
		Action: "Open the load breaker now. Look for a loose or broken neutral between the star point and the board; measure before you touch.",
		Basis:  "15 V between star point and neutral, beyond meter errors and unbalance (derived); seen only when the meter's neutral is on the load side of the break"}
	suspect := lost
	suspect.ID, suspect.Label, suspect.Latch = "neutral.suspect", "Neutral suspect", false
	suspect.Point, suspect.Limit, suspect.Deadband, suspect.While = model.NeutralSuspect, 0.5, 0, model.AlarmCondition{}
	suspect.Action = "Take single-phase loads off and tighten the neutral's joints, dead and proved dead."
	suspect.Basis = "5 V, and more than twice what the negative sequence explains (derived)"
	return []model.AlarmRule{lost, suspect}
}

// huntsFrom is the least swing that is called hunting, of rated frequency: less
// of it harms neither lights nor motors (common practice).
const huntsFrom = 0.015

// hunting watches for a governor that does not come to rest.
func hunting(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.FrequencyPoint) || r.Frequency <= 0 || !has(model.PowerActive) && !has(model.PowerActiveL1) {
		return nil
	}
	wild := model.AlarmRule{ID: "frequency.hunting.far", Label: "Engine hunts badly", Kind: model.SwingsMore, Point: model.FrequencyPoint,
		Limit: 0.04 * r.Frequency, Window: 60 * time.Second, Steady: model.LoadRatio, SteadyWithin: 0.05, OnDelay: 10 * time.Second, OffDelay: 30 * time.Second,
		ArmedIn: atSpeed, ArmDelay: 30 * time.Second,
		Action: "Take the load off. Look at governor linkage, springs, fuel supply and filters before it carries load again.",
		Basis:  "4 % of rated frequency from peak to peak at constant load, more than twice the steady band of ISO 8528-5 G2: lights and motors suffer (derived)"}
	hunts := wild
	hunts.ID, hunts.Label, hunts.Limit = "frequency.hunting", "Engine hunts", max(r.Behaviour().Band, huntsFrom)*r.Frequency
	hunts.Action = "Let it warm up; then look at governor gain, linkage play and air in the fuel."
	hunts.Basis = "the steady band of the class in ISO 8528-5, and no less than the 1.5 % of G2; seen over 60 s in which the load moved by less than 5 % of rating"
	return []model.AlarmRule{wild, hunts}
}
