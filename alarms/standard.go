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
	warm      = []model.EngineState{model.RunningUp, model.Idling, model.Unloaded, model.Loaded,
		model.RunningDown}
	turning = []model.EngineState{model.Cranking, model.RunningUp, model.Idling, model.Unloaded,
		model.Loaded, model.RunningDown}
	atSpeed = []model.EngineState{model.Unloaded, model.Loaded}
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
	// remindAfter raises a critical alarm again that was acknowledged and then
	// forgotten.
	remindAfter = 15 * time.Minute
)

// Standard builds the rules that fit a set: one for everything that its points
// and devices let Tickover see, with limits from the rating. A rule whose
// rating or point is missing is left out. All are advice; none replaces a
// hardwired shutdown.
func Standard(r model.Rating, points map[model.PointID]model.Point,
	devices []model.Device) []model.AlarmRule {
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
func lit(points map[model.PointID]model.Point,
	devices []model.Device) (map[model.PointID]model.Point, []model.Device) {
	fed := func(d model.Device) bool { return d.PoweredBySet }
	points = maps.Clone(points)
	maps.DeleteFunc(points, func(_ model.PointID, p model.Point) bool {
		return slices.ContainsFunc(devices,
			func(d model.Device) bool { return fed(d) && d.Name == p.Device })
	})
	return points, slices.DeleteFunc(slices.Clone(devices), fed)
}

func oil(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.OilPressure) {
		return nil
	}
	low := model.AlarmRule{ID: "oil.pressure.low", Label: "Oil pressure low",
		Kind: model.BelowLimit, Point: model.OilPressure, Limit: oilPerSpeed, Low: oilLeast,
		PerSpeed: true, Poles: r.Poles,
		Deadband: oilDeadband, OnDelay: 2 * time.Second, OffDelay: 5 * time.Second, Latch: true,
		ArmedIn: onOwnFuel, ArmDelay: 15 * time.Second,
		Action: "Stop the engine by hand now. Before the next start, check the oil level, then " +
			"the pressure with a second gauge.",
		Basis: "10 psi per 1000 r/min, a workshop rule (from memory), and at least 0.5 bar; the " +
			"engine maker's figure has priority"}
	warn := low
	warn.ID, warn.Label = "oil.pressure.sinking", "Oil pressure below normal"
	warn.Limit, warn.Low, warn.OnDelay = oilWarnPerSpeed, oilWarnLeast, 5*time.Second
	warn.Latch = false
	warn.Action = "Remove the load and let the engine idle. Check oil level, oil temperature and " +
		"leaks. Stop the engine if the pressure keeps falling."
	warn.Basis = "1.8 times the critical limit: a slow loss shows before it is critical (derived)"
	none := low
	none.ID, none.Label = "oil.pressure.missing", "No oil pressure after start"
	none.Limit, none.Low, none.PerSpeed, none.Poles = oilMissing, 0, false, 0
	none.ArmDelay, none.OnDelay = 8*time.Second, time.Second
	none.Action = "Stop the engine by hand now. Before the next start, find the cause and prime " +
		"the oil system."
	none.Basis = "pressure is expected within 15 s of the start (common practice). 8 s after the " +
		"last reading that showed no running engine, and two readings, leave time to act; 0.4 " +
		"bar is four times the zero error of a 10-bar sensor of 1 % (derived)"
	return []model.AlarmRule{none, low, warn}
}

// oilSwitch monitors the switch of a set without a transmitter, and in place of
// one that is bad. While both are good the transmitter counts, and a switch that
// contradicts it is a separate warning.
func oilSwitch(has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.OilSwitch) {
		return nil
	}
	low := model.AlarmRule{ID: "oil.switch.low", Label: "Oil pressure switch shows low",
		Kind: model.AboveLimit, Point: model.OilSwitch, Limit: 0.5,
		OnDelay: 2 * time.Second, OffDelay: 5 * time.Second, Latch: true,
		ArmedIn: onOwnFuel, ArmDelay: 8 * time.Second,
		Action: "Stop the engine by hand now. Before the next start, check the oil level, then " +
			"the pressure with a gauge.",
		Basis: "engine oil switches close between 0.3 and 0.7 bar; pressure builds up within 8 " +
			"s of self-sustained speed (common practice). 2 s rule out contact bounce"}
	if has(model.OilPressure) {
		low.Unless = model.AlarmCondition{Point: model.OilPressure, Limit: oilDisagrees}
	}
	return []model.AlarmRule{low}
}

// overspeed monitors the pickup, which shows a runaway without excitation too. The
// frequency has its own rule.
func overspeed(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	limit := r.OverspeedLimit()
	if !has(model.SpeedPoint) || limit <= 0 {
		return nil
	}
	fast := model.AlarmRule{ID: "engine.overspeed", Label: "Overspeed",
		Kind: model.AboveLimit, Point: model.SpeedPoint, Limit: limit, Deadband: 0.01 * limit,
		OnDelay: 500 * time.Millisecond, OffDelay: 5 * time.Second, Latch: true, ArmedIn: turning,
		Action: "Cut the fuel by hand. If the engine does not stop, block the air intake. Keep " +
			"out of the plane of the flywheel. Software is too slow for overspeed: the hardwired " +
			"device must act.",
		Basis: "the limit on the card, or 10 % above rated speed, the usual setting of the " +
			"overspeed device (common practice); 0.5 s rules out a stray pulse"}
	if r.Overspeed == 0 && r.Speed() > 0 && seesLoad(r, has) {
		afterStep(&fast, model.LoadOffTime, r.Behaviour().FrequencyRecovery, 1.15*r.Speed())
		fast.Basis += ". Without a limit on the card, the rise that the class permits after load " +
			"rejection does not count, up to 115 %"
	}
	return []model.AlarmRule{fast}
}

func coolant(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.CoolantTemperature) {
		return nil
	}
	_, open := r.Thermostat()
	hot := model.AlarmRule{ID: "coolant.hot", Label: "Coolant hot", Kind: model.AboveLimit,
		Point: model.CoolantTemperature, Limit: max(coolantCritical, open+coolantWarn+coolantRoom),
		Deadband: 3,
		OnDelay:  3 * time.Second, OffDelay: 30 * time.Second, Latch: true,
		While: model.AlarmCondition{Point: model.RestTime, Limit: soakFor.Seconds()},
		Action: "Remove the load. If the temperature falls, let the engine idle for a few " +
			"minutes; if not, stop it by hand. Never open the cap while it is hot.",
		Basis: "1 K below boiling at sea level, because an old cap may hold no pressure; with a " +
			"thermostat that is fully open above 88 °C, 11 K above that (derived). The engine " +
			"maker's figure has priority. Heat soak in the first 20 min after a stop has its " +
			"own alarm"}
	warn := hot
	warn.ID, warn.Label, warn.Latch = "coolant.warm", "Coolant temperature high", false
	warn.Limit, warn.OnDelay, warn.ArmedIn = open+coolantWarn, 10*time.Second, warm
	warn.While = model.AlarmCondition{}
	warn.Action = "Reduce the load. Check fan belt, radiator air path and the coolant level in " +
		"the header tank."
	warn.Basis = "8 K above the temperature at which the thermostat is fully open: that on the " +
		"card, or 88 °C. A sound radiator stays below this at full load (common practice)"
	soak := hot
	soak.ID, soak.Label, soak.Latch = "coolant.soak", "Coolant hot after stop", false
	soak.While.Below, soak.ArmedIn = true, []model.EngineState{model.Standstill}
	soak.Action = "Leave the engine stopped and keep the cap closed until it is cold. Next time, " +
		"let it idle without load for some minutes before the stop."
	soak.Basis = "the limit of coolant.hot. For about 20 min the block heats coolant that no " +
		"pump moves (common practice)"
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
	high := model.AlarmRule{ID: "frequency.high", Label: "Frequency too high: overspeed",
		Kind: model.AboveLimit, Point: model.FrequencyPoint, Limit: 1.10 * f, Deadband: 0.01 * f,
		OnDelay:  time.Second,
		OffDelay: 5 * time.Second, Latch: true, ArmedIn: warm,
		Action: "Cut the fuel by hand. If the engine does not stop, block the air intake. " +
			"Software is too slow for overspeed: the hardwired device must act.",
		Basis: "10 % above rated frequency, the usual setting of the overspeed device (common " +
			"practice). Two readings, because a meter's first one at low voltage can be wrong. " +
			"After load rejection, the rise that the class permits does not count, up to 115 %"}
	afterStep(&high, model.LoadOffTime, class.FrequencyRecovery, 1.15*f)
	if !seesLoad(r, has) {
		high.Limit, high.While, high.Regardless = 1.15*f, model.AlarmCondition{}, 0
		high.Basis = "15 % above rated frequency. Without power or current, a load rejection " +
			"does not show, and a class permits 10 % and more for seconds after one (ISO " +
			"8528-5); two readings"
	}
	low := high
	low.ID, low.Label, low.Kind = "frequency.low", "Frequency too low", model.BelowLimit
	low.Limit = (1 - r.FrequencyDroop() - frequencyLow) * f
	low.OnDelay, low.Latch, low.ArmedIn, low.GoodOnce = 3*time.Second, false, atSpeed, true
	low.While, low.Regardless = model.AlarmCondition{}, 0
	afterStep(&low, model.LoadOnTime, class.FrequencyRecovery, (1-class.FrequencyDip)*f)
	low.Action = "Reduce the load. If the frequency stays low without load, check fuel supply, " +
		"filters and governor."
	low.Basis = "1 % below full-load frequency, with the droop of the card or the class and " +
		"rated frequency set without load: the engine is overloaded or short of fuel (derived). " +
		"After a load step, the dip that the class permits does not count"
	off := low
	off.ID, off.Label, off.Kind = "frequency.off", "Frequency out of band", model.OutsideBand
	off.Low, off.Limit = 0.97*f, (1+r.FrequencyDroop()+class.Band/2+frequencyBand)*f
	off.Deadband, off.OnDelay = 0.004*f, 2*class.FrequencyRecovery
	off.While, off.Regardless = model.AlarmCondition{}, 0
	off.Action = "Adjust the governor. Set a droop governor high without load, so that full load " +
		"ends near rated frequency."
	off.Basis = "from 3 % below rated to rated plus droop, half the steady-state band of the " +
		"class and 0.5 % (derived), for twice the recovery time of the class in ISO 8528-5"
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
	action := "Check charging lamp, belt and charging leads: the next start needs the battery."
	if has(model.BatteryVoltage) && r.Battery > 0 {
		rules = append(rules, model.AlarmRule{ID: "battery.charging", Label: "Battery not charging",
			Kind: model.BelowLimit, Point: model.BatteryVoltage, Limit: chargingLeast * r.Battery,
			Deadband: r.Battery / 60,
			OnDelay:  45 * time.Second, OffDelay: 10 * time.Second, ArmedIn: onOwnFuel,
			ArmDelay: 45 * time.Second, Action: action,
			Basis: "2.18 V per cell: above the rest voltage, below that of any working charger " +
				"(common practice). 90 s after the start, when the charge used for cranking is " +
				"replaced"})
	}
	if has(model.ChargeLamp) {
		rules = append(rules, model.AlarmRule{ID: "charge.lamp.lit", Label: "Charging lamp on",
			Kind: model.AboveLimit, Point: model.ChargeLamp, Limit: 0.5, OnDelay: 15 * time.Second,
			OffDelay: 5 * time.Second,
			ArmedIn:  onOwnFuel, ArmDelay: 15 * time.Second, Action: action,
			Basis: "the lamp goes out when the charger voltage exceeds the battery voltage " +
				"(common practice)"})
	}
	return rules
}
