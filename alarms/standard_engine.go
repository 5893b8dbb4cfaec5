package alarms

import (
	"time"

	"tickover/model"
)

// oilTrend monitors a pressure that falls at constant speed.
func oilTrend(has func(model.PointID) bool) []model.AlarmRule {
	steady, within := model.SpeedPoint, 0.5 // revolutions a second
	if !has(model.SpeedPoint) {
		steady, within = model.FrequencyPoint, 1.0 // Hz
	}
	if !has(model.OilPressure) || !has(steady) {
		return nil
	}
	return []model.AlarmRule{{ID: "oil.pressure.falling",
		Label: "Oil pressure falling at constant speed",
		Kind:  model.FallingFaster, Point: model.OilPressure, Limit: 50e3 / 60,
		Window: 60 * time.Second, Steady: steady, SteadyWithin: within,
		OnDelay: 2 * time.Second, OffDelay: 30 * time.Second, ArmedIn: atSpeed,
		ArmDelay: 60 * time.Second,
		Action: "Remove the load. Look for oil under the engine. Stop the engine if the pressure " +
			"keeps falling, then read the oil level.",
		Basis: "0.5 bar in a minute; warming oil causes a tenth of that (derived)"}}
}

// coolantTrend monitors how the temperature changes, which shows a fault before a limit
// does, and a sensor in air.
func coolantTrend(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.CoolantTemperature) {
		return nil
	}
	_, open := r.Thermostat()
	rising := model.AlarmRule{ID: "coolant.rising", Label: "Coolant temperature rising fast",
		Kind:  model.RisingFaster,
		Point: model.CoolantTemperature, Limit: 3.0 / 60, Window: 60 * time.Second,
		While:   model.AlarmCondition{Point: model.CoolantTemperature, Limit: open + coolantWarn/2},
		OnDelay: 30 * time.Second, OffDelay: 30 * time.Second, ArmedIn: onOwnFuel,
		Action: "Reduce the load and watch the temperature. Check fan, belt and air path. Stop " +
			"the engine by hand before the limit is reached.",
		Basis: "3 K per minute, from 4 K above the temperature at which the thermostat is fully " +
			"open. A load step heats a sound engine more slowly there, and from 92 °C it takes " +
			"two minutes to 99 °C (derived)"}
	dropping := rising
	dropping.ID, dropping.Label = "coolant.dropping", "Coolant temperature falling on load"
	dropping.Kind = model.FallingFaster
	dropping.Limit, dropping.While = 5.0/60, model.AlarmCondition{}
	dropping.OnDelay = 15 * time.Second
	dropping.ArmedIn = []model.EngineState{model.Loaded}
	dropping.Action = "Remove the load. Look for a leak: the coolant may be lost and the sensor " +
		"in air. Feel the top hose with care."
	dropping.Basis = "an engine on load cannot cool by 5 K per minute while its coolant " +
		"circulates (derived)"
	rules := []model.AlarmRule{rising, dropping}
	if r.ActivePower() > 0 && (has(model.PowerActive) || has(model.PowerActiveL1)) {
		cold := rising
		cold.ID, cold.Label, cold.Kind = "coolant.cold", "Engine too cold on load", model.BelowLimit
		cold.Limit, cold.Deadband = 65, 3
		cold.While, cold.Window = model.AlarmCondition{Point: model.LoadRatio, Limit: 0.30}, 0
		cold.OnDelay = 20 * time.Minute
		cold.ArmedIn = []model.EngineState{model.Loaded}
		cold.Action = "Check the thermostat: it may be stuck open. In a cold diesel, soot builds " +
			"up and fuel thins the oil."
		cold.Basis = "20 min at 30 % load warm up any engine with a working thermostat (common " +
			"practice)"
		rules = append(rules, cold)
	}
	return rules
}

// stops monitors unintended starts and stops.
func stops(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	hasty := model.AlarmRule{ID: "engine.stopped.loaded", Label: "Engine stopped on load",
		Kind:  model.BelowLimit,
		Point: model.CoolingTime, Limit: model.AbruptStop.Seconds(), OnDelay: 3 * time.Second,
		Latch: true, ArmedIn: []model.EngineState{model.RunningDown, model.Standstill},
		Action: "If no one stopped the engine: open the load breaker, see which alarm came " +
			"first, and find the cause before the next start.",
		Basis: "an intended stop does not come within 10 s of load (derived)"}
	rules := []model.AlarmRule{hasty}
	if !has(model.KeyOn) {
		return rules
	}
	start := model.AlarmRule{ID: "engine.started.unasked", Label: "Engine turning with key off",
		Kind:  model.BelowLimit,
		Point: model.KeyOn, Limit: 0.5, OnDelay: time.Second, Latch: true,
		ArmedIn: []model.EngineState{model.Cranking, model.RunningUp},
		Action: "Keep hands and clothes away from fan and belts. Cut the fuel, then isolate the " +
			"starter battery.",
		Basis: "an unexpected start injures people next to the engine (common practice); two " +
			"readings"}
	slow := start
	slow.ID, slow.Label = "engine.stopping.slowly", "Engine still turning 30 s after key off"
	slow.Latch = false
	slow.OnDelay, slow.GoodOnce, slow.ArmedIn = 30*time.Second, true, warm
	slow.Action = "Stand by at the fuel cut-off, out of the plane of the flywheel: the engine " +
		"may run on its own oil."
	slow.Basis = "without fuel, a sound engine stops within 30 s (common practice)"
	runaway := start
	runaway.ID, runaway.Label = "engine.not.stopping", "Engine still turning 60 s after key off"
	runaway.OnDelay, runaway.GoodOnce, runaway.ArmedIn = 60*time.Second, true, warm
	runaway.Action = "Cut the fuel by hand. If the engine does not stop, block the air intake. " +
		"Keep out of the plane of the flywheel."
	runaway.Basis = "twice the 30 s within which a sound engine stops without fuel (common " +
		"practice)"
	if !r.StoppedBy.KeyStops() {
		return append(rules, start) // who stops it by hand turns the key off first, or last
	}
	return append(rules, start, runaway, slow)
}

// fuelTime monitors how long the fuel lasts at the present consumption.
func fuelTime() []model.AlarmRule {
	out := model.AlarmRule{ID: "fuel.time.out", Label: "Less than 1 h of fuel left",
		Kind:  model.UsedUpWithin,
		Point: model.FuelLevel, Limit: 3600, Window: usageWindow, Deadband: 600,
		OnDelay: 60 * time.Second, OffDelay: 60 * time.Second, ArmedIn: onOwnFuel,
		Action: "Fill the tank, or end the test. Do not spill fuel on hot parts. If the engine " +
			"runs dry, bleed the fuel system.",
		Basis: "an hour at the present consumption leaves time to fetch fuel (common practice). " +
			"The rate is a line through the last 30 min. It is not determined until the level " +
			"has fallen for 10 min, by 2 % of the tank and by more than its scatter (derived)"}
	short := out
	short.ID, short.Label, short.Limit = "fuel.time.short", "Less than 2 h of fuel left", 2*3600
	short.Action = "Arrange for fuel, or end the test in time."
	short.Basis = "two hours at the present consumption (common practice); the rate is found as " +
		"for one hour"
	return []model.AlarmRule{out, short}
}

// monoxide monitors the air for exhaust, if a sensor is fitted.
func monoxide(has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.MonoxidePoint) {
		return nil
	}
	far := model.AlarmRule{ID: "co.far.high", Label: "Carbon monoxide: leave now",
		Kind: model.AboveLimit, Point: model.MonoxidePoint,
		Limit: 100e-6, Deadband: 20e-6, OffDelay: 60 * time.Second, Latch: true,
		Action: "Leave at once and take everyone with you. Stop the engine from outside if it is " +
			"on your way. Call for help from the open air. Let no one in before the rooms are " +
			"ventilated.",
		Basis: "100 ppm is the European 15-minute limit at work, Directive (EU) 2017/164 (from " +
			"memory); without delay (derived). A certified CO alarm is mandatory in every " +
			"adjoining room; this is not one"}
	high := far
	high.ID, high.Label, high.Latch = "co.high", "Carbon monoxide in the air", false
	high.Limit, high.Deadband, high.OnDelay = 30e-6, 10e-6, 60*time.Second
	high.Action = "Go outside and ventilate the rooms. With headache or dizziness, stay out and " +
		"get help. Before you go on, find where the exhaust leaks or blows back."
	high.Basis = "1.5 times the 20 ppm of an eight-hour day in Directive (EU) 2017/164 (from " +
		"memory), for a minute. A certified CO alarm is mandatory in every adjoining room; this " +
		"is not one"
	return []model.AlarmRule{far, high}
}

// supplies monitors fuel and air.
func supplies(has func(model.PointID) bool) []model.AlarmRule {
	var rules []model.AlarmRule
	if has(model.FuelLevel) {
		empty := model.AlarmRule{ID: "fuel.empty", Label: "Fuel nearly empty",
			Kind: model.BelowLimit, Point: model.FuelLevel,
			Limit: 0.10, Deadband: 0.03, OnDelay: 60 * time.Second, OffDelay: 60 * time.Second,
			Action: "Fill the tank. Do not spill fuel on hot parts. If the engine runs dry, " +
				"bleed the fuel system.",
			Basis: "a tenth of the tank: below it, the outlet may draw air and dirt (common " +
				"practice)"}
		low := empty
		low.ID, low.Label, low.Limit = "fuel.low", "Fuel low", 0.25
		low.Action = "Arrange for fuel, or end the test in time."
		low.Basis = "a quarter of the tank leaves time to fetch fuel (common practice)"
		rules = append(rules, empty, low)
		rules = append(rules, fuelTime()...)
	}
	if has(model.AmbientTemperature) {
		stifling := model.AlarmRule{ID: "ambient.hot", Label: "Air at the set too hot",
			Kind:  model.AboveLimit,
			Point: model.AmbientTemperature, Limit: 55, Deadband: 2, OnDelay: 60 * time.Second,
			OffDelay: 60 * time.Second, ArmedIn: onOwnFuel,
			Action: "Leave the room if you smell exhaust. Remove the load. Open doors and " +
				"louvres: hot air or exhaust returns to the radiator.",
			Basis: "at 55 °C a radiator made for 40 °C has no reserve (common practice)"}
		warmer := stifling
		warmer.ID, warmer.Label, warmer.Limit = "ambient.warm", "Air at the set warm", 45
		warmer.Basis = "5 K above the 40 °C that most sets are rated for (common practice)"
		rules = append(rules, stifling, warmer)
	}
	return rules
}

// engineContacts monitors the level switch and the emergency stop.
func engineContacts(has func(model.PointID) bool) []model.AlarmRule {
	var rules []model.AlarmRule
	if has(model.CoolantLevelSwitch) {
		rules = append(rules, model.AlarmRule{ID: "coolant.level.low", Label: "Coolant level low",
			Kind: model.AboveLimit, Point: model.CoolantLevelSwitch, Limit: 0.5,
			OnDelay: 5 * time.Second, OffDelay: 10 * time.Second, Latch: true, ArmedIn: onOwnFuel,
			Action: "Remove the load and stop the engine by hand: without coolant, the " +
				"temperature sensor may be in air. Never open the cap while it is hot.",
			Basis: "a pump that draws air stops cooling within a minute (common practice); 5 s " +
				"rule out sloshing"})
	}
	if has(model.EmergencyStop) {
		rules = append(rules, model.AlarmRule{ID: "emergency.stop.operated",
			Label: "Emergency stop operated",
			Kind:  model.AboveLimit, Point: model.EmergencyStop, Limit: 0.5, OffDelay: time.Second,
			Action: "Before you release it, find out who pressed it and why.",
			Basis: "for the log: the first alarm shows whether a person or a fault came first " +
				"(common practice)"})
	}
	return rules
}

// failedStart notes an engine that does not start.
func failedStart() []model.AlarmRule {
	return []model.AlarmRule{{ID: "engine.failed.to.start", Label: "Engine failed to start",
		Kind: model.AboveLimit, Point: model.FailedStarts, Limit: 2.5,
		Action: "Let the starter cool. Check fuel, air in the fuel, stop lever and glow plugs.",
		Basis:  "three cranks of 10 s or more without self-sustained speed (common practice)"}}
}
