package alarms

import (
	"time"

	"tickover/model"
)

// oilTrend watches a pressure that falls although nothing was changed.
func oilTrend(has func(model.PointID) bool) []model.AlarmRule {
	steady, within := model.SpeedPoint, 0.5 // revolutions a second
	if !has(model.SpeedPoint) {
		steady, within = model.FrequencyPoint, 1.0 // Hz
	}
	if !has(model.OilPressure) || !has(steady) {
		return nil
	}
	return []model.AlarmRule{{ID: "oil.pressure.falling", Label: "Oil pressure falls at constant speed",
		Kind: model.FallingFaster, Point: model.OilPressure, Limit: 50e3 / 60, Window: 60 * time.Second, Steady: steady, SteadyWithin: within,
		OnDelay: 2 * time.Second, OffDelay: 30 * time.Second, ArmedIn: atSpeed, ArmDelay: 60 * time.Second,
		Action: "Look for oil under the engine and read the level as soon as it stands. Take the load off and stop it if the pressure goes on falling.",
		Basis:  "0.5 bar in a minute: warming oil loses a tenth of that (derived)"}}
}

// coolantTrend watches how the temperature moves, which tells of trouble
// before a limit does, and of a sensor that hangs in air.
func coolantTrend(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.CoolantTemperature) {
		return nil
	}
	_, open := r.Thermostat()
	rising := model.AlarmRule{ID: "coolant.rising", Label: "Coolant heats up fast", Kind: model.RisingFaster,
		Point: model.CoolantTemperature, Limit: 3.0 / 60, Window: 60 * time.Second,
		While:   model.AlarmCondition{Point: model.CoolantTemperature, Limit: open + coolantWarn/2},
		OnDelay: 30 * time.Second, OffDelay: 30 * time.Second, ArmedIn: onOwnFuel,
		Action: "Take load off and watch the temperature. Look at fan, belt and air path; stop by hand before it reaches its limit.",
		Basis:  "3 K a minute, 4 K above where the thermostat is fully open: a load that comes on moves a sound engine more slowly there, and from 92 °C it is two minutes to 99 °C (derived)"}
	dropping := rising
	dropping.ID, dropping.Label, dropping.Kind = "coolant.dropping", "Coolant temperature drops under load", model.FallingFaster
	dropping.Limit, dropping.While, dropping.OnDelay = 5.0/60, model.AlarmCondition{}, 15*time.Second
	dropping.ArmedIn = []model.EngineState{model.Loaded}
	dropping.Action = "The sensor may hang in air because the coolant is gone: feel the top hose with care, take the load off, and look for a leak."
	dropping.Basis = "an engine under load cannot cool by 5 K a minute while its water circulates (derived)"
	rules := []model.AlarmRule{rising, dropping}
	if r.ActivePower() > 0 && (has(model.PowerActive) || has(model.PowerActiveL1)) {
		cold := rising
		cold.ID, cold.Label, cold.Kind, cold.Limit, cold.Deadband = "coolant.cold", "Engine stays too cold under load", model.BelowLimit, 65, 3
		cold.While, cold.Window, cold.OnDelay = model.AlarmCondition{Point: model.LoadRatio, Limit: 0.30}, 0, 20*time.Minute
		cold.ArmedIn = []model.EngineState{model.Loaded}
		cold.Action = "Look at the thermostat: it may hang open. A cold diesel soots and thins its oil with fuel."
		cold.Basis = "20 min at 30 % load warm any engine with a working thermostat (common practice)"
		rules = append(rules, cold)
	}
	return rules
}

// stops watches for what nobody asked the engine to do.
func stops(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	hasty := model.AlarmRule{ID: "engine.stopped.loaded", Label: "The engine stopped under load", Kind: model.BelowLimit,
		Point: model.CoolingTime, Limit: model.AbruptStop.Seconds(), OnDelay: 3 * time.Second, Latch: true, ArmedIn: []model.EngineState{model.RunningDown, model.Standstill},
		Action: "If nobody stopped it: open the load breaker, read what was first out, and find the cause before the next start.",
		Basis:  "nobody who stops an engine on purpose does so within 10 s of carrying load (derived)"}
	rules := []model.AlarmRule{hasty}
	if !has(model.KeyOn) {
		return rules
	}
	start := model.AlarmRule{ID: "engine.started.unasked", Label: "The engine turns with its key off", Kind: model.BelowLimit,
		Point: model.KeyOn, Limit: 0.5, OnDelay: time.Second, Latch: true, ArmedIn: []model.EngineState{model.Cranking, model.RunningUp},
		Action: "Keep hands and clothes away from fan and belts. Use the fuel cut-off, then isolate the starter battery.",
		Basis:  "an engine that starts by itself hurts people beside it (common practice); two readings"}
	slow := start
	slow.ID, slow.Label, slow.Latch = "engine.stopping.slowly", "The engine still turns half a minute after the key was turned off", false
	slow.OnDelay, slow.GoodOnce, slow.ArmedIn = 30*time.Second, true, warm
	slow.Action = "Be ready at the fuel cut-off and keep clear of the line of the flywheel: it may run on its own oil."
	slow.Basis = "a sound engine comes to rest within half a minute without fuel (common practice)"
	runaway := start
	runaway.ID, runaway.Label = "engine.not.stopping", "The engine still turns a minute after the key was turned off"
	runaway.OnDelay, runaway.GoodOnce, runaway.ArmedIn = 60*time.Second, true, warm
	runaway.Action = "Use the fuel cut-off by hand; block the air if it does not stop. Keep clear of the line of the flywheel."
	runaway.Basis = "twice the half minute in which a sound engine comes to rest without fuel (common practice)"
	if !r.StoppedBy.KeyStops() {
		return append(rules, start) // who stops it by hand turns the key off first, or last
	}
	return append(rules, start, runaway, slow)
}

// fuelTime watches for how long the fuel lasts at what the set takes now.
func fuelTime() []model.AlarmRule {
	out := model.AlarmRule{ID: "fuel.time.out", Label: "Fuel for less than an hour", Kind: model.UsedUpWithin,
		Point: model.FuelLevel, Limit: 3600, Window: usageWindow, Deadband: 600, OnDelay: 60 * time.Second, OffDelay: 60 * time.Second, ArmedIn: onOwnFuel,
		Action: "Fill the tank, not while anything hot can be splashed, or end the test. An engine that ran dry has to be bled.",
		Basis:  "an hour at the present consumption leaves time to fetch fuel (common practice). The rate is a line through the last 30 min; it is not determined, and nothing is judged, before the level fell for 10 min, by 2 % of the tank and beyond its scatter (derived)"}
	short := out
	short.ID, short.Label, short.Limit = "fuel.time.short", "Fuel for less than two hours", 2*3600
	short.Action = "Plan to fill up, or end the test in time."
	short.Basis = "two hours at the present consumption (common practice), by the same line as for one hour"
	return []model.AlarmRule{out, short}
}

// monoxide watches the air for exhaust, if a sensor is fitted.
func monoxide(has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.MonoxidePoint) {
		return nil
	}
	far := model.AlarmRule{ID: "co.far.high", Label: "Carbon monoxide: leave now", Kind: model.AboveLimit, Point: model.MonoxidePoint,
		Limit: 100e-6, Deadband: 20e-6, OffDelay: 60 * time.Second, Latch: true,
		Action: "Leave at once and take everybody with you; stop the engine from outside if that can be done on the way. Call for help from the open air and let the rooms be aired before anybody goes in.",
		Basis:  "100 ppm is the European limit of a quarter of an hour at work, Directive (EU) 2017/164 (from memory); nothing is waited for (derived). A certified CO alarm is mandatory in every adjoining room; this is not one"}
	high := far
	high.ID, high.Label, high.Latch = "co.high", "Carbon monoxide in the air", false
	high.Limit, high.Deadband, high.OnDelay = 30e-6, 10e-6, 60*time.Second
	high.Action = "Go outside and air the rooms. Look where the exhaust leaks or blows back before you go on; headache or dizziness means leave and get help."
	high.Basis = "half as much again as the 20 ppm of an eight-hour day in Directive (EU) 2017/164 (from memory), for a minute. A certified CO alarm is mandatory in every adjoining room; this is not one"
	return []model.AlarmRule{far, high}
}

// supplies watches what is used up or comes from outside.
func supplies(has func(model.PointID) bool) []model.AlarmRule {
	var rules []model.AlarmRule
	if has(model.FuelLevel) {
		empty := model.AlarmRule{ID: "fuel.empty", Label: "Fuel nearly used up", Kind: model.BelowLimit, Point: model.FuelLevel,
			Limit: 0.10, Deadband: 0.03, OnDelay: 60 * time.Second, OffDelay: 60 * time.Second,
			Action: "Fill the tank, not while anything hot can be splashed. An engine that ran dry has to be bled.",
			Basis:  "a tenth of the tank: the outlet may draw air and dirt (common practice)"}
		low := empty
		low.ID, low.Label, low.Limit = "fuel.low", "Fuel low", 0.25
		low.Action = "Plan to fill up, or end the test in time."
		low.Basis = "a quarter of the tank leaves time to fetch fuel (common practice)"
		rules = append(rules, empty, low)
		rules = append(rules, fuelTime()...)
	}
	if has(model.AmbientTemperature) {
		stifling := model.AlarmRule{ID: "ambient.hot", Label: "Air at the set far too warm", Kind: model.AboveLimit,
			Point: model.AmbientTemperature, Limit: 55, Deadband: 2, OnDelay: 60 * time.Second, OffDelay: 60 * time.Second, ArmedIn: onOwnFuel,
			Action: "Take the load off and open doors and louvres: hot air or exhaust comes back to the radiator. Leave the room if you smell exhaust.",
			Basis:  "55 °C leaves a radiator made for 40 °C without reserve (common practice)"}
		warmer := stifling
		warmer.ID, warmer.Label, warmer.Limit = "ambient.warm", "Air at the set too warm", 45
		warmer.Basis = "5 K above the 40 °C most sets are rated for (common practice)"
		rules = append(rules, stifling, warmer)
	}
	return rules
}

// engineContacts watches the level switch and the emergency stop.
func engineContacts(has func(model.PointID) bool) []model.AlarmRule {
	var rules []model.AlarmRule
	if has(model.CoolantLevelSwitch) {
		rules = append(rules, model.AlarmRule{ID: "coolant.level.low", Label: "Coolant level low",
			Kind: model.AboveLimit, Point: model.CoolantLevelSwitch, Limit: 0.5,
			OnDelay: 5 * time.Second, OffDelay: 10 * time.Second, Latch: true, ArmedIn: onOwnFuel,
			Action: "Take the load off and stop the engine by hand: without water the temperature sensor may " +
				"hang in air. Never open the cap while it is hot.",
			Basis: "a pump that draws air cools nothing within a minute (common practice); 5 s are no slosh"})
	}
	if has(model.EmergencyStop) {
		rules = append(rules, model.AlarmRule{ID: "emergency.stop.operated", Label: "Emergency stop operated",
			Kind: model.AboveLimit, Point: model.EmergencyStop, Limit: 0.5, OffDelay: time.Second,
			Action: "Find out who pressed it and why before it is released.",
			Basis:  "for the log: what was first out shows whether a person or a fault came first (common practice)"})
	}
	return rules
}

// failedStart notes an engine that does not start.
func failedStart() []model.AlarmRule {
	return []model.AlarmRule{{ID: "engine.failed.to.start", Label: "The engine did not start",
		Kind: model.AboveLimit, Point: model.FailedStarts, Limit: 2.5,
		Action: "Let the starter cool. Look for fuel, air in the fuel, the stop lever and the glow plugs.",
		Basis:  "three cranks of 10 s or more without self-sustained speed (common practice)"}}
}
