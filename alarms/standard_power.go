package alarms

import (
	"time"

	"tickover/model"
)

// power monitors the engine's load in kilowatts and its direction. A set with the
// overload hour on its card may run above rated power for as long as that hour
// lasts.
func power(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if r.ActivePower() <= 0 || !has(model.PowerActive) && !has(model.PowerActiveL1) {
		return nil
	}
	high := model.AlarmRule{ID: "power.high", Label: "Engine above rated power",
		Kind: model.AboveLimit, Point: model.LoadRatio, Limit: 1.00, Deadband: 0.02,
		OnDelay: 60 * time.Second, OffDelay: 10 * time.Second, ArmedIn: atSpeed,
		Action: "Reduce the load until the power is below its rating.",
		Basis: "prime power on the nameplate, ISO 8528-1; 60 s lets motors start (common " +
			"practice)"}
	far := high
	far.ID, far.Label, far.Limit = "power.far.high", "Engine overloaded", 1.10
	far.OnDelay = 5 * time.Minute
	far.Action = "Reduce the load now. Watch exhaust smoke and coolant temperature. Stop the " +
		"engine if the temperature keeps rising."
	far.Basis = "110 % is the most that ISO 8528-1 allows, for one hour in twelve and only if " +
		"the maker declares it; 5 min leave time to reduce the load (common practice)"
	if r.OverloadHour {
		high.ID, high.Label = "power.hour.used", "Overload hour used up"
		high.Point, high.Limit, high.Deadband, high.OnDelay = model.OverloadTime, 3600, 600, 0
		high.Basis = "one hour above rated power in twelve, ISO 8528-1. Eleven minutes at or " +
			"below rated power restore one minute (derived)"
		far.Limit, far.Deadband = 1.12, 0.02
		far.Basis = "110 % of the declared overload hour, ISO 8528-1, and 2 % for the meter " +
			"(derived); 5 min leave time to reduce the load (common practice)"
	}
	back := model.AlarmRule{ID: "power.reverse", Label: "Reverse power",
		Kind: model.BelowLimit, Point: model.LoadRatio, Limit: -0.05, Deadband: 0.02,
		OnDelay: 5 * time.Second, OffDelay: 5 * time.Second, ArmedIn: atSpeed,
		Action: "Look for another source on the same board: mains, a second set, an inverter. If " +
			"there is none, the current transformers are reversed.",
		Basis: "5 % of rated power, more than the error of a meter; motoring a diesel takes 5 " +
			"to 25 % (common practice)"}
	driven := back
	driven.ID, driven.Label = "power.reverse.far", "Reverse power: set driven as a motor"
	driven.Limit, driven.Latch = -0.10, true
	driven.Action = "Open the set's breaker now. Then look for the other source: mains, a second " +
		"set, an inverter."
	driven.Basis = "10 % of rated power; motoring a diesel takes 5 to 25 % (common practice)"
	return []model.AlarmRule{driven, far, back, high}
}

// reactive monitors a load that excites the alternator by itself.
func reactive(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if r.ApparentPower <= 0 || !has(model.PowerReactive) && !has(model.PowerReactiveL1) {
		return nil
	}
	return []model.AlarmRule{{ID: "reactive.leading", Label: "Leading reactive power",
		Kind: model.BelowLimit, Point: model.PowerReactive, Limit: -0.20 * r.ApparentPower,
		Deadband: 0.03 * r.ApparentPower,
		OnDelay:  10 * time.Second, OffDelay: 10 * time.Second, ArmedIn: atSpeed,
		Action: "Before the voltage rises, switch off capacitors or unloaded electronic loads, " +
			"or add resistive load.",
		Basis: "20 % of rated kVA leading: beyond it, the load excites the alternator and the " +
			"regulator loses control (common practice)"}}
}

// terminals monitors voltage at a stopped set, and missing voltage at speed.
func terminals(r model.Rating, has func(model.PointID) bool, setFed bool) []model.AlarmRule {
	points, rated := measuredVoltages(r, has)
	var rules []model.AlarmRule
	if len(points) > 0 && (has(model.SpeedPoint) || has(model.OilPressure)) {
		rules = append(rules, model.AlarmRule{ID: "terminals.live",
			Label: "Terminals live from another source",
			Kind:  model.AboveLimit, Point: points[0], Points: points, Limit: 50, Deadband: 10,
			While: model.AlarmCondition{Point: model.EngineAtRest, Limit: 0.5}, DarkMeter: setFed,
			OnDelay: 2 * time.Second, OffDelay: 5 * time.Second, Latch: true,
			Action: "Do not touch the terminals. Keep everyone away. Open and lock the breaker " +
				"to the other source. Have a licensed person prove the terminals dead.",
			Basis: "50 V is the touch voltage limit in IEC 60364-4-41 (from memory); a set at " +
				"rest generates no voltage. At rest: pickup below 18 r/min, oil pressure below " +
				"0.3 bar, oil switch low, as far as fitted, and no cranking (derived)"})
	}
	witness, rate := model.SpeedPoint, r.Speed()
	if !has(witness) || rate <= 0 {
		witness, rate = model.FrequencyPoint, r.Frequency
	}
	if rated > 0 && rate > 0 && len(points) > 0 && has(witness) && !r.ExcitationOff {
		rules = append(rules, model.AlarmRule{ID: "voltage.absent", Label: "No voltage at speed",
			Kind: model.BelowLimit, Point: points[0], Points: points, AllOf: true,
			Limit: 0.5 * rated, Deadband: 0.05 * rated,
			While:   model.AlarmCondition{Point: witness, Limit: 0.95 * rate},
			OnDelay: 10 * time.Second, OffDelay: 5 * time.Second, ArmedIn: onOwnFuel,
			Action: "Read the residual voltage. 2 to 10 V: check excitation and regulator; only " +
				"a licensed person flashes the field. Below 1 V: no residual voltage, or an open " +
				"lead or fuse. If the excitation is off on purpose, set excitation: off on " +
				"the card.",
			Basis: "half of rated voltage at 95 % of rated speed for 10 s: a sound alternator " +
				"has built up its voltage by then (common practice)"})
	}
	return rules
}

// earth monitors leakage current and the voltage of the neutral to earth.
func earth(has func(model.PointID) bool) []model.AlarmRule {
	var rules []model.AlarmRule
	if has(model.NeutralToEarth) {
		far := model.AlarmRule{ID: "neutral.earth.far", Label: "Neutral-to-earth voltage dangerous",
			Kind: model.AboveLimit, Point: model.NeutralToEarth, Limit: 50, Deadband: 5,
			OnDelay: time.Second, OffDelay: 5 * time.Second, Latch: true,
			Action: "Do not touch metal of the installation. Open the load breaker. Isolate and " +
				"prove dead, then look for a broken neutral or earth bond.",
			Basis: "50 V is the touch voltage limit in IEC 60364-4-41 (from memory); two " +
				"readings (derived)"}
		high := far
		high.ID, high.Label, high.Limit = "neutral.earth.high", "Neutral-to-earth voltage high", 10
		high.Deadband, high.Latch = 2, false
		high.OnDelay = 5 * time.Second
		high.Action = "Check the bond between neutral and earth, and the joints of the neutral."
		high.Basis = "with a sound bond and neutral it stays below 10 V (common practice)"
		rules = append(rules, far, high)
	}
	if has(model.ResidualCurrent) {
		rules = append(rules, model.AlarmRule{ID: "current.residual.high",
			Label: "Earth leakage current high",
			Kind:  model.AboveLimit, Point: model.ResidualCurrent, Limit: 0.030, Deadband: 0.005,
			OnDelay: 5 * time.Second, OffDelay: 10 * time.Second,
			Action: "Switch the loads off one by one until the current is gone. Test the " +
				"residual current device with its button; this alarm does not replace it.",
			Basis: "30 mA, the rated residual current for protection of persons in IEC 61008-1 " +
				"(from memory)"})
	}
	return rules
}

// voltageUnbalance monitors line voltages that overheat motors.
func voltageUnbalance(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	for _, p := range model.LineVoltages {
		if !has(p) {
			return nil
		}
	}
	far := model.AlarmRule{ID: "voltage.unbalance.far",
		Label: "Severe voltage unbalance: motors overheat",
		Kind:  model.AboveLimit, Point: model.VoltageUnbalance, Limit: 0.05, Deadband: 0.005,
		OnDelay: time.Minute, OffDelay: 30 * time.Second, ArmedIn: atSpeed,
		Action: "Switch three-phase motors off now. Then distribute the single-phase loads over " +
			"the phases.",
		Basis: "5 %: above it, NEMA MG 1 allows no motor to run (from memory); a minute lets " +
			"motors start (common practice)"}
	high := far
	high.ID, high.Label, high.Limit = "voltage.unbalance.high", "Voltage unbalance high", 0.03
	high.OnDelay = 5 * time.Minute
	high.Action = "Distribute the single-phase loads over the phases. Load motors below their " +
		"rating."
	high.Basis = "3 %: NEMA MG 1 derates a motor to 90 % (from memory)"
	return []model.AlarmRule{far, high}
}

// breaker holds the auxiliary contact against the current.
func breaker(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.BreakerClosed) || r.Current() <= 0 || !has(model.CurrentL1) &&
		!has(model.CurrentL2) && !has(model.CurrentL3) {
		return nil
	}
	return []model.AlarmRule{{ID: "breaker.says.open",
		Label: "Breaker contact shows open, current flows",
		Kind:  model.BelowLimit, Point: model.BreakerClosed, Limit: 0.5,
		While:   model.AlarmCondition{Point: model.LoadApparentRatio, Limit: 0.05},
		OnDelay: 5 * time.Second, OffDelay: 5 * time.Second, ArmedIn: atSpeed,
		Action: "Treat the circuit as live. Check the auxiliary contact and its wiring.",
		Basis: "5 % of rated current is more than a meter shows without current (common " +
			"practice)"}}
}
