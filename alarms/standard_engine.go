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
	return []model.AlarmRule{{ID: "oil.pressure.falling", Label: "Oil pressure falls at constant speed", Priority: model.Warning,
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
	rising := model.AlarmRule{ID: "coolant.rising", Label: "Coolant heats up fast", Priority: model.Warning, Kind: model.RisingFaster,
		Point: model.CoolantTemperature, Limit: 2.0 / 60, Window: 60 * time.Second, While: model.AlarmCondition{Point: model.CoolantTemperature, Limit: 85},
		OnDelay: 30 * time.Second, OffDelay: 30 * time.Second, ArmedIn: onOwnFuel,
		Action: "Take load off and watch the temperature. Look at fan, belt and air path; stop by hand before it reaches its limit.",
		Basis:  "2 K a minute above 85 °C, where the thermostat is open, is seven minutes to 99 °C (derived)"}
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
func stops(has func(model.PointID) bool) []model.AlarmRule {
	hasty := model.AlarmRule{ID: "engine.stopped.loaded", Label: "The engine stopped under load", Priority: model.Critical, Kind: model.BelowLimit,
		Point: model.CoolingTime, Limit: model.AbruptStop.Seconds(), OnDelay: 3 * time.Second, Latch: true, ArmedIn: []model.EngineState{model.RunningDown, model.Standstill},
		Action: "If nobody stopped it: open the load breaker, read what was first out, and find the cause before the next start.",
		Basis:  "nobody who stops an engine on purpose does so within 10 s of carrying load (derived)"}
	rules := []model.AlarmRule{hasty}
	if !has(model.KeyOn) {
		return rules
	}
	start := model.AlarmRule{ID: "engine.started.unasked", Label: "The engine turns with its key off", Priority: model.Critical, Kind: model.BelowLimit,
		Point: model.KeyOn, Limit: 0.5, OnDelay: time.Second, Latch: true, ArmedIn: []model.EngineState{model.Cranking, model.RunningUp},
		Action: "Keep hands and clothes away from fan and belts. Use the fuel cut-off, then isolate the starter battery.",
		Basis:  "an engine that starts by itself hurts people beside it (common practice); two readings"}
	runaway := start
	runaway.ID, runaway.Label = "engine.not.stopping", "The engine still turns a minute after the key was turned off"
	runaway.OnDelay, runaway.GoodOnce, runaway.ArmedIn = 60*time.Second, true, warm
	runaway.Action = "Use the fuel cut-off by hand; block the air if it does not stop. Keep clear of the line of the flywheel."
	runaway.Basis = "a sound engine comes to rest within half a minute without fuel (common practice)"
	return append(rules, start, runaway)
}

// supplies watches what is used up or comes from outside.
func supplies(has func(model.PointID) bool) []model.AlarmRule {
	var rules []model.AlarmRule
	if has(model.FuelLevel) {
		empty := model.AlarmRule{ID: "fuel.empty", Label: "Fuel nearly used up", Priority: model.Critical, Kind: model.BelowLimit, Point: model.FuelLevel,
			Limit: 0.10, Deadband: 0.03, OnDelay: 60 * time.Second, OffDelay: 60 * time.Second,
			Action: "Fill the tank, not while anything hot can be splashed. An engine that ran dry has to be bled.",
			Basis:  "a tenth of the tank: the outlet may draw air and dirt (common practice)"}
		low := empty
		low.ID, low.Label, low.Priority, low.Limit = "fuel.low", "Fuel low", model.Warning, 0.25
		low.Action = "Plan to fill up, or end the test in time."
		low.Basis = "a quarter of the tank leaves time to fetch fuel (common practice)"
		rules = append(rules, empty, low)
	}
	if has(model.AmbientTemperature) {
		stifling := model.AlarmRule{ID: "ambient.hot", Label: "Air at the set far too warm", Priority: model.Critical, Kind: model.AboveLimit,
			Point: model.AmbientTemperature, Limit: 55, Deadband: 2, OnDelay: 60 * time.Second, OffDelay: 60 * time.Second, ArmedIn: onOwnFuel,
			Action: "Take the load off and open doors and louvres: hot air or exhaust comes back to the radiator. Leave the room if you smell exhaust.",
			Basis:  "55 °C leaves a radiator made for 40 °C without reserve (common practice)"}
		warmer := stifling
		warmer.ID, warmer.Label, warmer.Priority, warmer.Limit = "ambient.warm", "Air at the set too warm", model.Warning, 45
		warmer.Basis = "5 K above the 40 °C most sets are rated for (common practice)"
		rules = append(rules, stifling, warmer)
	}
	return rules
}
