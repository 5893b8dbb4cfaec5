package alarms

import (
	"maps"
	"slices"
	"time"

	"tickover/model"
)

// The engine states in which rules are armed.
var (
	onOwnFuel = []model.EngineState{model.RunningUp, model.Idling, model.Unloaded, model.Loaded}
	warm      = []model.EngineState{model.RunningUp, model.Idling, model.Unloaded, model.Loaded, model.RunningDown}
	turning   = []model.EngineState{model.Cranking, model.RunningUp, model.Idling, model.Unloaded, model.Loaded, model.RunningDown}
	atSpeed   = []model.EngineState{model.Unloaded, model.Loaded}
)

// Limits of the engine's rules. The maker's figures always win over them.
const (
	// oilPerSpeed is the old workshop rule of 10 psi for each 1000 r/min:
	// 68.9 kPa / (16.67 1/s) = 4137 Pa·s (from memory), rounded up.
	oilPerSpeed = 4200.0 // Pa·s
	// oilWarnPerSpeed leaves a person time before oilPerSpeed is reached.
	oilWarnPerSpeed = 7500.0 // Pa·s; 187 kPa at 1500 r/min
	// oilLeast and oilWarnLeast hold at low idle and while no speed is known.
	oilLeast     = 50e3 // Pa
	oilWarnLeast = 90e3 // Pa
	// oilMissing is four times the zero error of a 10-bar sensor of 1 %.
	oilMissing = 40e3 // Pa
	// oilDisagrees is what a transmitter shows above which a closed switch is
	// wrong: switches close between 0.3 and 0.7 bar.
	oilDisagrees = 100e3 // Pa
	// oilDeadband is twice that zero error.
	oilDeadband = 20e3 // Pa
	// coolantWarn is over a thermostat that is fully open: a sound engine stays
	// below. coolantCritical is one kelvin under boiling at sea level, because an
	// old cap may hold no pressure. A thermostat so warm that the warning comes
	// near it belongs to an engine that needs its cap: coolantRoom is then left
	// between the two.
	coolantWarn     = 8.0  // K
	coolantCritical = 99.0 // °C
	coolantRoom     = 3.0  // K
	// soakFor is how long the heat of a stopped engine goes on into the coolant.
	soakFor = 20 * time.Minute
	// chargingLeast is 2.18 V a cell: above what any lead-acid battery rests
	// at, below what any working charger gives.
	chargingLeast = 13.1 / 12 // of the nominal voltage
	// remindAfter raises a critical alarm anew that somebody acknowledged and
	// then forgot.
	remindAfter = 15 * time.Minute
)

// Standard builds the rules that fit a set: one for everything that its points
// and devices let Tickover see, with limits from the rating. A rule whose
// rating or point is missing is left out. All are advice; none replaces a
// hardwired shutdown.
func Standard(r model.Rating, points map[model.PointID]model.Point, devices []model.Device) []model.AlarmRule {
	if r.ExcitationOff {
		points, devices = lit(points, devices)
	}
	has := func(p model.PointID) bool { _, ok := points[p]; return ok }
	setFed := slices.ContainsFunc(devices, func(d model.Device) bool { return d.PoweredBySet })
	rules := slices.Concat(
		oil(r, has), oilSwitch(has), oilTrend(has), coolant(r, has), coolantTrend(r, has),
		overspeed(r, has), stops(r, has), engineContacts(has), failedStart(), frequency(r, has),
		hunting(r, has), voltages(r, has), neutral(has), terminals(r, has, setFed), earth(has),
		power(r, has), reactive(r, has), breaker(r, has), load(r, has), unbalance(r, has),
		voltageUnbalance(r, has), lowLoad(r, has), heat(r, has), starter(), charging(r, has),
		battery(r, has), supplies(has), monoxide(has), sight(devices), failures(points),
	)
	for _, d := range devices {
		rules = append(rules, lostDevice(d))
	}
	follow(rules, setFed)
	for i := range rules {
		rules[i] = prioritised(rules[i])
		if rules[i].Priority == model.Critical {
			rules[i].Remind = remindAfter
		}
	}
	return rules
}

// lit leaves out the devices that live on the set's own voltage, and their points:
// without excitation they are dark, and nothing is wrong with them.
func lit(points map[model.PointID]model.Point, devices []model.Device) (map[model.PointID]model.Point, []model.Device) {
	fed := func(d model.Device) bool { return d.PoweredBySet }
	points = maps.Clone(points)
	maps.DeleteFunc(points, func(_ model.PointID, p model.Point) bool {
		return slices.ContainsFunc(devices, func(d model.Device) bool { return fed(d) && d.Name == p.Device })
	})
	return points, slices.DeleteFunc(slices.Clone(devices), fed)
}

func oil(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.OilPressure) {
		return nil
	}
	low := model.AlarmRule{ID: "oil.pressure.low", Label: "Oil pressure low",
		Kind: model.BelowLimit, Point: model.OilPressure, Limit: oilPerSpeed, Low: oilLeast, PerSpeed: true, Poles: r.Poles,
		Deadband: oilDeadband, OnDelay: 2 * time.Second, OffDelay: 5 * time.Second, Latch: true,
		ArmedIn: onOwnFuel, ArmDelay: 15 * time.Second,
		Action: "Stop the engine by hand now. Check the oil level, then the pressure with a second gauge, before it turns again.",
		Basis:  "10 psi for each 1000 r/min, a workshop rule (from memory), and never less than 0.5 bar; the engine maker's figure wins"}
	warn := low
	warn.ID, warn.Label = "oil.pressure.sinking", "Oil pressure lower than it should be"
	warn.Limit, warn.Low, warn.OnDelay, warn.Latch = oilWarnPerSpeed, oilWarnLeast, 5*time.Second, false
	warn.Action = "Take the load off and let it idle. Look at oil level, oil temperature and for leaks; stop it if the pressure goes on falling."
	warn.Basis = "1.8 times the critical limit, so that a slow loss is seen before it is critical (derived)"
	none := low
	none.ID, none.Label = "oil.pressure.missing", "No oil pressure after the start"
	none.Limit, none.Low, none.PerSpeed, none.Poles = oilMissing, 0, false, 0
	none.ArmDelay, none.OnDelay = 8*time.Second, time.Second
	none.Action = "Stop the engine by hand now. Prime the oil system and find out why before the next start."
	none.Basis = "pressure is expected within 15 s of the start (common practice); 8 s, counted from the last reading that still spoke against a running engine, and two readings leave time to act; 0.4 bar is four times the zero error of a 10-bar sensor of 1 % (derived)"
	return []model.AlarmRule{none, low, warn}
}

// oilSwitch watches the switch of a set without a transmitter, and in the place of
// one that is bad. While both are good the transmitter is believed, and what the
// switch says against it is a warning of its own.
func oilSwitch(has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.OilSwitch) {
		return nil
	}
	low := model.AlarmRule{ID: "oil.switch.low", Label: "Oil pressure switch says low",
		Kind: model.AboveLimit, Point: model.OilSwitch, Limit: 0.5,
		OnDelay: 2 * time.Second, OffDelay: 5 * time.Second, Latch: true,
		ArmedIn: onOwnFuel, ArmDelay: 8 * time.Second,
		Action: "Stop the engine by hand now. Check the oil level, then the pressure with a gauge, before it turns again.",
		Basis: "a switch of an engine closes between 0.3 and 0.7 bar; pressure is there within 8 s of " +
			"self-sustained speed (common practice), and 2 s are no bounce"}
	if has(model.OilPressure) {
		low.Unless = model.AlarmCondition{Point: model.OilPressure, Limit: oilDisagrees}
	}
	return []model.AlarmRule{low}
}

// overspeed watches the pickup, which sees a runaway without excitation too. The
// frequency has its own rule.
func overspeed(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	limit := r.OverspeedLimit()
	if !has(model.SpeedPoint) || limit <= 0 {
		return nil
	}
	fast := model.AlarmRule{ID: "engine.overspeed", Label: "Overspeed",
		Kind: model.AboveLimit, Point: model.SpeedPoint, Limit: limit, Deadband: 0.01 * limit,
		OnDelay: 500 * time.Millisecond, OffDelay: 5 * time.Second, Latch: true, ArmedIn: turning,
		Action: "Cut the fuel by hand; block the air if it does not stop. Keep clear of the line of the " +
			"flywheel. Software is too slow for overspeed: the hardwired device has to act.",
		Basis: "the limit on the card, or 10 % above rated speed, the usual place of the overspeed device " +
			"(common practice); 0.5 s is no stray pulse"}
	if r.Overspeed == 0 && r.Speed() > 0 && seesLoad(r, has) {
		afterStep(&fast, model.LoadOffTime, r.Behaviour().FrequencyRecovery, 1.15*r.Speed())
		fast.Basis += ". Without a limit on the card what the class permits after load went off is waited for, up to 115 %"
	}
	return []model.AlarmRule{fast}
}

func coolant(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.CoolantTemperature) {
		return nil
	}
	_, open := r.Thermostat()
	hot := model.AlarmRule{ID: "coolant.hot", Label: "Coolant hot", Kind: model.AboveLimit,
		Point: model.CoolantTemperature, Limit: max(coolantCritical, open+coolantWarn+coolantRoom), Deadband: 3,
		OnDelay: 3 * time.Second, OffDelay: 30 * time.Second, Latch: true,
		While:  model.AlarmCondition{Point: model.RestTime, Limit: soakFor.Seconds()},
		Action: "Take the load off, let it idle for a few minutes if the temperature falls, else stop it by hand. Never open the cap while it is hot.",
		Basis:  "1 K under boiling at sea level, since an old cap may hold no pressure, or 11 K over a thermostat that is fully open later than 88 °C (derived); the engine maker's figure wins. The heat that soaks through in the first 20 min after a stop has an alarm of its own"}
	warn := hot
	warn.ID, warn.Label, warn.Latch = "coolant.warm", "Coolant warmer than it should be", false
	warn.Limit, warn.OnDelay, warn.ArmedIn, warn.While = open+coolantWarn, 10*time.Second, warm, model.AlarmCondition{}
	warn.Action = "Reduce the load. Look at fan belt, radiator air path and coolant level in the header tank."
	warn.Basis = "8 K over the fully open thermostat of the card, 88 °C when it gives none: at full load a sound radiator keeps below (common practice)"
	soak := hot
	soak.ID, soak.Label, soak.Latch = "coolant.soak", "Coolant hot after the stop", false
	soak.While.Below, soak.ArmedIn = true, []model.EngineState{model.Standstill}
	soak.Action = "Let it stand and keep the cap closed until it is cold. Before the next stop let it idle for some minutes without load."
	soak.Basis = "the limit of coolant.hot: for about 20 min the heat of the block goes on into coolant that no pump moves (common practice)"
	return []model.AlarmRule{hot, warn, soak}
}

// frequencyBand is left of a frequency's band over the droop and half the steady
// band of the class, for a governor set a little high, of rated frequency.
const frequencyBand = 0.005

func frequency(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.FrequencyPoint) || r.Frequency <= 0 {
		return nil
	}
	f, class := r.Frequency, r.Behaviour()
	high := model.AlarmRule{ID: "frequency.high", Label: "Frequency far too high: overspeed",
		Kind: model.AboveLimit, Point: model.FrequencyPoint, Limit: 1.10 * f, Deadband: 0.01 * f, OnDelay: time.Second,
		OffDelay: 5 * time.Second, Latch: true, ArmedIn: warm,
		Action: "Cut the fuel by hand; block the air if it does not stop. Software is too slow for overspeed: the hardwired device has to act.",
		Basis:  "10 % above rated frequency, the usual place of the overspeed device (common practice); two readings, since a meter's first one at low voltage can be wild. After load went off, what the class permits is waited for up to 115 %"}
	afterStep(&high, model.LoadOffTime, class.FrequencyRecovery, 1.15*f)
	if !seesLoad(r, has) {
		high.Limit, high.While, high.Regardless = 1.15*f, model.AlarmCondition{}, 0
		high.Basis = "15 % above rated frequency: without power or current the load cannot be seen to go, after which a class permits 10 % and more for seconds (ISO 8528-5); two readings"
	}
	low := high
	low.ID, low.Label, low.Kind, low.Limit = "frequency.low", "Frequency far too low", model.BelowLimit, (1-r.FrequencyDroop()-frequencyLow)*f
	low.OnDelay, low.Latch, low.ArmedIn, low.GoodOnce = 3*time.Second, false, atSpeed, true
	low.While, low.Regardless = model.AlarmCondition{}, 0
	afterStep(&low, model.LoadOnTime, class.FrequencyRecovery, (1-class.FrequencyDip)*f)
	low.Action = "Take load off. If the frequency stays low unloaded, look at fuel supply, filters and governor."
	low.Basis = "1 % below where a governor of the card's droop, or of the class's, set to rated frequency unloaded ends at full load, so it is overloaded or starved of fuel (derived). After load came on, what the class permits is waited for"
	off := low
	off.ID, off.Label, off.Kind = "frequency.off", "Frequency off its band", model.OutsideBand
	off.Low, off.Limit, off.Deadband, off.OnDelay = 0.97*f, (1+r.FrequencyDroop()+class.Band/2+frequencyBand)*f, 0.004*f, 2*class.FrequencyRecovery
	off.While, off.Regardless = model.AlarmCondition{}, 0
	off.Action = "Set the governor. A droop governor runs high unloaded, so that full load lands near rated frequency."
	off.Basis = "from rated less 3 % to rated plus the droop, half the steady band of the class and 0.5 % (derived); for twice the recovery time of the class in ISO 8528-5"
	return []model.AlarmRule{high, low, off}
}

// frequencyLow is left below the droop, of rated frequency.
const frequencyLow = 0.01

// afterStep lets a rule wait after a step of the load for as long as the class
// needs to recover, unless the value is beyond what a step may do.
func afterStep(r *model.AlarmRule, since model.PointID, recovery time.Duration, beyond float64) {
	r.While, r.Regardless = model.AlarmCondition{Point: since, Limit: recovery.Seconds()}, beyond
}

// seesLoad reports whether steps of the load show.
func seesLoad(r model.Rating, has func(model.PointID) bool) bool {
	power := r.ActivePower() > 0 && (has(model.PowerActive) || has(model.PowerActiveL1))
	return power || r.Current() > 0 && slices.ContainsFunc(model.PhaseCurrents[:], has)
}

func charging(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	var rules []model.AlarmRule
	action := "Look at the charging lamp, the belt and the charging leads. The battery has to start the set next time."
	if has(model.BatteryVoltage) && r.Battery > 0 {
		rules = append(rules, model.AlarmRule{ID: "battery.charging", Label: "Battery not being charged",
			Kind: model.BelowLimit, Point: model.BatteryVoltage, Limit: chargingLeast * r.Battery, Deadband: r.Battery / 60,
			OnDelay: 45 * time.Second, OffDelay: 10 * time.Second, ArmedIn: onOwnFuel, ArmDelay: 45 * time.Second, Action: action,
			Basis: "2.18 V a cell: above rest, below any working charger (common practice); 90 s after the start, to let the crank's loss be made good"})
	}
	if has(model.ChargeLamp) {
		rules = append(rules, model.AlarmRule{ID: "charge.lamp.lit", Label: "Charging lamp lit",
			Kind: model.AboveLimit, Point: model.ChargeLamp, Limit: 0.5, OnDelay: 15 * time.Second, OffDelay: 5 * time.Second,
			ArmedIn: onOwnFuel, ArmDelay: 15 * time.Second, Action: action, Basis: "the lamp goes out when the charger gives more than the battery (common practice)"})
	}
	return rules
}
