package alarms

import (
	"slices"
	"time"

	"tickover/model"
)

// measuredVoltages are the voltages that a set is judged by, of those that it
// has: to neutral, or between the lines of a set without a neutral to measure
// against, each with what is rated for it.
func measuredVoltages(r model.Rating, has func(model.PointID) bool) (points []model.PointID,
	rated float64) {
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

// voltages monitors the phases as one: a lost excitation is one alarm, which
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
		Action: "Open the load breaker before motors overheat. Then check excitation, regulator " +
			"and neutral.",
		Basis: "1.5 times the -10 % of public supply in EN 50160 (from memory); two readings " +
			"and a second (derived). After a load step, the dip that the class permits does not " +
			"count (ISO 8528-5)"}
	class := r.Behaviour()
	if seesLoad(r, has) {
		afterStep(&lost, model.LoadOnTime, class.VoltageRecovery, (1-class.VoltageDip)*rated)
	}
	high := lost
	high.ID, high.Label, high.Kind = "voltage.high", "Voltage high", model.AboveLimit
	high.Limit = 1.15 * rated
	high.OnDelay, high.ArmedIn, high.GoodOnce = time.Second, warm, false
	high.While, high.Regardless = model.AlarmCondition{}, 0
	if seesLoad(r, has) {
		afterStep(&high, model.LoadOffTime, class.VoltageRecovery, (1+class.VoltageRise)*rated)
	}
	high.Action = "Open the load breaker before appliances burn. Then check neutral, regulator " +
		"and its sensing leads."
	high.Basis = "1.5 times the +10 % of public supply in EN 50160 (from memory). It applies " +
		"from the first reading: a regulator without sensing, or a lost neutral, raises the " +
		"voltage at once; two readings (derived). After load rejection, the rise that the class " +
		"permits does not count (ISO 8528-5)"
	off := lost
	off.ID, off.Label, off.Latch = "voltage.off", "Voltage out of band", false
	off.Kind, off.While, off.Regardless = model.OutsideBand, model.AlarmCondition{}, 0
	off.Low, off.Limit, off.OnDelay = 0.90*rated, 1.10*rated, class.VoltageRecovery+5*time.Second
	off.Action = "Adjust the voltage regulator. Compare the three phases and the load on each."
	off.Basis = "±10 % of nominal, the band of public supply in EN 50160 (from memory), for 5 s " +
		"more than the recovery time of the class (ISO 8528-5)"
	return []model.AlarmRule{lost, high, off}
}

// load monitors the most loaded phase and the heat in the excitation.
func load(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	var rules []model.AlarmRule
	if r.Current() > 0 && (has(model.CurrentL1) || has(model.CurrentL2) || has(model.CurrentL3)) {
		high := model.AlarmRule{ID: "load.high", Label: "Phase current above rating",
			Kind: model.AboveLimit, Point: model.LoadApparentRatio, Limit: 1.0, Deadband: 0.02,
			OnDelay:  60 * time.Second,
			OffDelay: 10 * time.Second, ArmedIn: atSpeed,
			Action: "Shed load on the most loaded phase, or move it to another.",
			Basis: "rated current on the nameplate, which is a third of the rated kVA per phase; " +
				"60 s lets motors start (common practice)"}
		far := high
		far.ID, far.Label, far.Limit = "load.far.high", "Phase overloaded", 1.10
		far.OnDelay = 5 * time.Minute
		far.Action = "Shed load on the most loaded phase now, at its breaker."
		far.Basis = "110 % is allowed for an hour at most, and only if the maker allows it; 5 " +
			"min leave time to shed load (common practice)"
		overload(r, &high, &far)
		rules = append(rules, far, high)
	}
	if r.Voltage > 0 && r.Frequency > 0 && has(model.FrequencyPoint) &&
		(has(model.VoltageL1N) || has(model.VoltageL12)) {
		high := model.AlarmRule{ID: "excitation.high", Label: "Overexcitation (V/Hz)",
			Kind: model.AboveLimit, Point: model.VoltsPerHertzRatio, Limit: 1.10, Deadband: 0.02,
			OnDelay:  30 * time.Second,
			OffDelay: 10 * time.Second, ArmedIn: onOwnFuel,
			Action: "Raise the speed to rated, or switch the excitation off. Do not idle with " +
				"excitation on.",
			Basis: "110 % of rated flux, where iron begins to saturate (common practice)"}
		far := high
		far.ID, far.Label, far.Limit = "excitation.far.high", "Severe overexcitation (V/Hz)", 1.25
		far.OnDelay = 10 * time.Second
		far.Basis = "125 % of rated flux overheats field and regulator within minutes (common " +
			"practice)"
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
	const hour = ". The card declares 110 % for an hour in twelve (ISO 8528-1). Until that hour " +
		"is used up, the limit is "
	high.Basis += hour + "112 %"
	far.Basis += hour + "115 %"
}

// What the declared hour of overload is taken for, of rated load: 110 % and the
// error of a class 2 meter; and clearly more than was declared.
const (
	overloadMost = 1.12
	overloadFar  = 1.15
)

// unbalance monitors unbalanced load, which heats the rotor.
func unbalance(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if r.Current() <= 0 || !has(model.CurrentL1) || !has(model.CurrentL2) || !has(model.CurrentL3) {
		return nil
	}
	permitted := r.PermittedUnbalance()
	far := model.AlarmRule{ID: "current.negative.far",
		Label: "Negative-sequence current high: rotor heating", Kind: model.AboveLimit,
		Point: model.RotorHeat, Limit: 0.8, Deadband: 0.1, OffDelay: 60 * time.Second,
		ArmedIn: atSpeed,
		While:   model.AlarmCondition{Point: model.NegativeCurrent, Limit: permitted},
		Action:  "Reduce the load on the most loaded phase, or load the others equally.",
		Basis: "80 % of (I2/IN)²·t = 20 s in IEC 60034-1 (from memory), which leaves time to " +
			"act: 400 s at 20 %, 147 s at 33 %. Heating counts above 1.1 times the permitted " +
			"unbalance; below the permitted unbalance the rotor cools. I2 is estimated from the " +
			"three currents"}
	high := far
	high.ID, high.Label = "current.negative.high", "Load unbalanced for 15 min"
	high.OnDelay = 15 * time.Minute
	high.Point, high.While, high.Limit = model.NegativeCurrent, model.AlarmCondition{}, permitted
	high.Deadband = 0.1 * permitted
	high.Basis = "the permitted unbalance on the card, or 8 % of rated current as negative " +
		"sequence, the continuous limit of a salient-pole generator in IEC 60034-1 (from " +
		"memory). One phase alone at 24 % of its rating reaches it"
	note := high
	note.ID, note.Label, note.OnDelay = "current.negative.noted", "Load unbalanced", 60*time.Second
	rules := []model.AlarmRule{far, high, note}
	neutral := model.NeutralEstimate
	if has(model.CurrentN) {
		neutral = model.CurrentN
	}
	return append(rules, model.AlarmRule{ID: "current.n.high",
		Label: "Neutral current above rated phase current", Kind: model.AboveLimit,
		Point: neutral, Limit: r.Current(), Deadband: 0.02 * r.Current(), OnDelay: 60 * time.Second,
		OffDelay: 10 * time.Second, ArmedIn: atSpeed,
		Action: "Distribute the loads over the phases. Reduce electronic loads: their currents " +
			"add up in the neutral even when distributed.",
		Basis: "rated phase current: the neutral conductor is seldom larger than a phase " +
			"conductor (common practice)"})
}

// lowLoad monitors a load too low for clean combustion.
func lowLoad(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if r.ActivePower() <= 0 || !has(model.PowerActive) && !has(model.PowerActiveL1) {
		return nil
	}
	long := model.AlarmRule{ID: "load.low.long", Label: "Low load for two hours",
		Kind: model.BelowLimit, Point: model.LoadRatio,
		Limit: 0.30, Deadband: 0.05, OnDelay: 2 * time.Hour, OffDelay: 5 * time.Minute,
		ArmedIn: atSpeed,
		Action: "Add load or end the run. Then run the engine hot at half load or more to burn " +
			"off soot.",
		Basis: "30 % of rated power, below which soot builds up in a diesel (common practice; " +
			"40 and 50 % are given as well)"}
	short := long
	short.ID, short.Label, short.OnDelay = "load.low", "Low load", 30*time.Minute
	return []model.AlarmRule{long, short}
}

// neutral monitors a broken neutral, which sends line voltage into
// appliances for 230 V.
func neutral(has func(model.PointID) bool) []model.AlarmRule {
	for i := range 3 {
		if !has(model.PhaseVoltages[i]) || !has(model.LineVoltages[i]) {
			return nil
		}
	}
	lost := model.AlarmRule{ID: "neutral.lost", Label: "Neutral lost", Kind: model.AboveLimit,
		Point: model.ZeroSequenceVoltage,
		Limit: 15, Deadband: 3, While: model.AlarmCondition{Point: model.NeutralSuspect,
			Limit: 0.5}, OnDelay: time.Second, OffDelay: 5 * time.Second, Latch: true,
		ArmedIn: onOwnFuel,
		Action: "Open the load breaker now. Measure before you touch anything. Look for a loose " +
			"or broken neutral between star point and board.",
		Basis: "15 V between star point and neutral, more than meter error and unbalance " +
			"explain (derived). It shows only when the meter's neutral is on the load side of " +
			"the break"}
	suspect := lost
	suspect.ID, suspect.Label, suspect.Latch = "neutral.suspect", "Neutral suspect", false
	suspect.Point, suspect.Limit, suspect.Deadband = model.NeutralSuspect, 0.5, 0
	suspect.While = model.AlarmCondition{}
	suspect.Action = "Switch single-phase loads off. Isolate and prove dead, then tighten the " +
		"joints of the neutral."
	suspect.Basis = "5 V, and more than twice what the negative sequence explains (derived)"
	return []model.AlarmRule{lost, suspect}
}

// huntsFrom is the least swing that is called hunting, of rated frequency: less
// of it harms neither lights nor motors (common practice).
const huntsFrom = 0.015

// hunting monitors a governor that does not settle.
func hunting(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.FrequencyPoint) || r.Frequency <= 0 || !has(model.PowerActive) &&
		!has(model.PowerActiveL1) {
		return nil
	}
	wild := model.AlarmRule{ID: "frequency.hunting.far", Label: "Severe engine hunting",
		Kind: model.SwingsMore, Point: model.FrequencyPoint,
		Limit: 0.04 * r.Frequency, Window: 60 * time.Second, Steady: model.LoadRatio,
		SteadyWithin: 0.05, OnDelay: 10 * time.Second, OffDelay: 30 * time.Second,
		ArmedIn: atSpeed, ArmDelay: 30 * time.Second,
		Action: "Remove the load. Before the next loading, check governor linkage, springs, fuel " +
			"supply and filters.",
		Basis: "4 % of rated frequency peak to peak at constant load, more than twice the " +
			"steady-state band of ISO 8528-5 G2: lights flicker and motors wear (derived)"}
	hunts := wild
	hunts.ID, hunts.Label = "frequency.hunting", "Engine hunting"
	hunts.Limit = max(r.Behaviour().Band, huntsFrom) * r.Frequency
	hunts.Action = "Let the engine warm up. Then check governor gain, play in the linkage and " +
		"air in the fuel."
	hunts.Basis = "the steady-state band of the class in ISO 8528-5, but at least the 1.5 % of " +
		"G2, over 60 s in which the load changes by less than 5 % of rating"
	return []model.AlarmRule{wild, hunts}
}
