package alarms

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"tickover/model"
)

// engineSensors are the points without which an engine is run blind.
var engineSensors = [...]model.PointID{model.OilPressure, model.CoolantTemperature,
	model.SpeedPoint, model.BatteryVoltage,
	model.OilTemperature, model.OilSwitch}

// sight monitors that engine and alarms have readings.
//
// A meter supplied by the set is dead until the set is at speed: its rules count as not
// monitored, but are not announced before then.
func sight(devices []model.Device) []model.AlarmRule {
	armed, after := onOwnFuel, time.Duration(0)
	if slices.ContainsFunc(devices, func(d model.Device) bool { return d.PoweredBySet }) {
		armed, after = atSpeed, 10*time.Second
	}
	action := "Go to the engine and watch its gauges. Stop it by hand if no one can stay there."
	unseen := model.AlarmRule{ID: "engine.unseen", Label: "Engine state unknown",
		Kind: model.BelowLimit, Point: model.EngineStatePoint, Limit: 0.5,
		OnDelay: 20 * time.Second, OffDelay: 3 * time.Second,
		ArmedIn: onOwnFuel, Action: action,
		Basis: "20 s: longer than a line needs to recover from the noise of cranking (common " +
			"practice), and after the alarm that no engine sensor gives a reading"}
	blind := unseen
	blind.ID, blind.Label = "engine.blind", "No reading from any engine sensor"
	blind.Point = model.EngineSignals
	blind.OnDelay = 10 * time.Second
	blind.Basis = "10 s: longer than a line needs to recover from the noise of cranking (common " +
		"practice)"
	return []model.AlarmRule{unseen, blind,
		{ID: "alarms.unwatched", Label: "Alarms not monitored", Kind: model.AboveLimit,
			Point: model.AlarmsUnwatched,
			Limit: 0.5, OnDelay: 8 * time.Second, OffDelay: 3 * time.Second, ArmedIn: armed,
			ArmDelay: after,
			Action: "Watch what the list of alarms shows as not monitored, until its sensor or " +
				"device is back.",
			Basis: "a point without readings must not look normal: 5 s without a value, and 8 s " +
				"more (derived)"},
		{ID: "alarms.flood", Label: "Many alarms at once", Kind: model.AboveLimit,
			Point: model.AlarmsRaised,
			Limit: floodAbove + 0.5, Deadband: floodAbove - floodEnds + 1,
			OffDelay: 60 * time.Second,
			Action: "Check the first alarm: the others may follow from it. If the cause is not " +
				"clear, stop the engine by hand.",
			Basis: "an alarm flood in ISA-18.2 and EEMUA 191: more than ten alarms announced in " +
				"ten minutes; it ends at fewer than five (from memory). Information, and alarms " +
				"shown under another, do not count"},
	}
}

// failures monitors that each engine sensor has a signal, and a plausible one.
func failures(points map[model.PointID]model.Point) []model.AlarmRule {
	has := func(p model.PointID) bool { _, ok := points[p]; return ok }
	var rules []model.AlarmRule
	others := []model.PointID{model.MonoxidePoint, model.ExhaustTemperature,
		model.AmbientTemperature, model.FuelLevel, model.ChargeLamp, model.KeyOn,
		model.WindingL1, model.WindingL2, model.WindingL3, model.BearingTemperature,
		model.CoolantLevelSwitch, model.EmergencyStop,
		model.BreakerClosed, model.ResidualCurrent, model.NeutralToEarth}
	for _, p := range append(engineSensors[:], others...) {
		if has(p) {
			rules = append(rules, failedSensor(p))
		}
	}
	for _, p := range []model.PointID{model.OilPressure, model.OilTemperature,
		model.CoolantTemperature, model.ExhaustTemperature, model.BatteryVoltage, model.SpeedPoint,
		model.WindingL1, model.WindingL2, model.WindingL3, model.BearingTemperature} {
		if has(p) {
			rules = append(rules, stuckSensor(p))
		}
	}
	for p, limit := range map[model.PointID]float64{model.CoolantTemperature: 10,
		model.OilTemperature: 10, model.OilPressure: 20e5} {
		if has(p) {
			rules = append(rules, jumpingSensor(p, limit))
		}
	}
	slices.SortStableFunc(rules, func(a,
		b model.AlarmRule) int {
		return strings.Compare(a.ID, b.ID)
	})
	return append(rules, contacts(has)...)
}

func failedSensor(p model.PointID) model.AlarmRule {
	r := model.AlarmRule{ID: string(p) + ".failed", Label: "Sensor failed: " + string(p),
		Kind: model.PointFailed, Point: p, OnDelay: 5 * time.Second, OffDelay: 5 * time.Second,
		Basis: "open, shorted or outside its plausible range. A 4 to 20 mA signal is valid from " +
			"3.8 to 20.5 mA; below 3.6 or above 21 mA the sensor has failed (NAMUR NE 43). 5 s " +
			"rule out noise (common practice)"}
	instead := map[model.PointID]string{
		model.BatteryVoltage:     "Measure at the battery terminals instead.",
		model.SpeedPoint:         "Use the frequency or a hand tachometer instead.",
		model.FuelLevel:          "Dip the tank instead.",
		model.AmbientTemperature: "Use a thermometer at the radiator's air inlet instead.",
		model.ExhaustTemperature: "Watch the smoke instead.", model.KeyOn: "Check the key itself.",
		model.ChargeLamp:         "Check the lamp itself.",
		model.MonoxidePoint:      "Rely on the certified CO alarm. Without one, keep out.",
		model.WindingL1:          "Use a thermometer at the alternator's air outlet instead.",
		model.WindingL2:          "Use a thermometer at the alternator's air outlet instead.",
		model.WindingL3:          "Use a thermometer at the alternator's air outlet instead.",
		model.BearingTemperature: "Use a thermometer on the bearing cover instead.",
		model.CoolantLevelSwitch: "Check the header tank when it is cold.",
		model.EmergencyStop:      "Check the button itself.",
		model.BreakerClosed:      "Check the position of the breaker handle.",
		model.ResidualCurrent:    "Test the residual current device with its button.",
		model.NeutralToEarth:     "Measure between neutral and earth with a hand meter.",
		model.OilSwitch:          "Watch the gauge and the warning lamp on the engine instead.",
	}[p]
	r.Action = cmp.Or(instead, "Read the gauge on the engine instead.") +
		" With the engine stopped, check plug, wiring and sensor."
	if q, _ := model.KnownQuantity(p); q == model.State {
		r.Basis = "the adapter reports a failed input. 5 s rule out noise (common practice)"
	}
	return r
}

func stuckSensor(p model.PointID) model.AlarmRule {
	return model.AlarmRule{ID: string(p) + ".stuck", Label: "Sensor reading stuck: " + string(p),
		Kind: model.StuckFor, Point: p,
		Window: 10 * time.Minute,
		Action: "Do not rely on this reading. Use a gauge or a hand instrument. Check sensor and " +
			"adapter.",
		Basis: "the same to the last digit for 10 min, although the engine started or stopped at " +
			"least 2 min ago: a real signal changes (common practice)"}
}

func jumpingSensor(p model.PointID, limit float64) model.AlarmRule {
	return model.AlarmRule{ID: string(p) + ".jumps", Label: "Sensor reading jumps: " + string(p),
		Kind: model.JumpsFaster, Point: p,
		Limit: limit, OffDelay: 60 * time.Second,
		Action: "Look for a loose plug, a chafed wire or a poor earth at the sensor.",
		Basis: "faster than the quantity can change: 10 K in a second in the liquid of an " +
			"engine; 20 bar of oil pressure, more than the pump delivers (derived)"}
}

// contacts monitors switches, and whether a switch and a transmitter of the same pressure
// agree.
func contacts(has func(model.PointID) bool) []model.AlarmRule {
	var rules []model.AlarmRule
	for _, p := range []model.PointID{model.OilSwitch, model.ChargeLamp, model.KeyOn} {
		if has(p) {
			rules = append(rules, model.AlarmRule{ID: string(p) + ".never.moves",
				Label: "Contact never changes: " + string(p),
				Kind:  model.NeverMoves, Point: p, Limit: 3,
				Action: "Test the contact by hand: it must change between standstill and " +
					"running. Until it does, it warns of nothing.",
				Basis: "three starts without a change: a sound contact changes at each start " +
					"(derived)"})
		}
	}
	if has(model.OilSwitch) {
		rules = append(rules, switchAtRest(has))
	}
	if !has(model.OilPressure) {
		return rules
	}
	rules = append(rules, model.AlarmRule{ID: "oil.pressure.at.rest",
		Label: "Oil pressure shown at standstill",
		Kind:  model.AboveLimit, Point: model.OilPressure, Limit: 30e3, Deadband: 10e3,
		OnDelay: 60 * time.Second, ArmedIn: []model.EngineState{model.Standstill},
		Action: "Do not rely on this sensor: its zero is wrong. Compare it with the gauge.",
		Basis: "0.3 bar a minute after the engine stopped: a stopped pump delivers no pressure " +
			"(derived)"})
	if !has(model.OilSwitch) {
		return rules
	}
	low := model.AlarmRule{ID: "oil.switch.says.low",
		Label: "Oil switch shows low, transmitter does not",
		Kind:  model.AboveLimit, Point: model.OilSwitch, Limit: 0.5,
		While:   model.AlarmCondition{Point: model.OilPressure, Limit: oilDisagrees},
		OnDelay: 10 * time.Second, OffDelay: 5 * time.Second, ArmedIn: onOwnFuel,
		Action: "Remove the load. Act on the lower of the two until a gauge shows which is right.",
		Basis: "engine oil switches open between 0.3 and 0.7 bar; at 1 bar on the transmitter, " +
			"one of the two is wrong (common practice)"}
	high := low
	high.ID, high.Label = "oil.switch.says.enough", "Oil switch shows normal, transmitter does not"
	high.Kind = model.BelowLimit
	high.While = model.AlarmCondition{Point: model.OilPressure, Below: true, Limit: 15e3}
	high.Basis = "at 0.15 bar on the transmitter any switch is closed: one of the two is wrong " +
		"(common practice)"
	return append(rules, low, high)
}

// switchAtRest monitors an oil switch while there is no pressure: one that is
// stuck or has lost its wire shows so before the start, not after it. A switch
// that is fed by the key is judged with the key on only.
func switchAtRest(has func(model.PointID) bool) model.AlarmRule {
	rule := model.AlarmRule{ID: "oil.switch.at.rest",
		Label: "Oil pressure switch open at standstill",
		Kind:  model.BelowLimit, Point: model.OilSwitch, Limit: 0.5, OnDelay: 60 * time.Second,
		ArmedIn: []model.EngineState{model.Standstill},
		Action: "Test the oil pressure switch and its wire before the next start. " +
			"Without them it cannot warn of low oil pressure.",
		Basis: "a minute after the engine stopped there is no pressure and the switch is closed; " +
			"it is open when it sticks, when its wire is off, or when the key feeds its circuit " +
			"and is off (common practice)"}
	if has(model.KeyOn) {
		rule.While = model.AlarmCondition{Point: model.KeyOn, Limit: 0.5}
		rule.OnDelay = 10 * time.Second
	}
	return rule
}

// lostDevice monitors that a device answers. One supplied by the set is expected to be
// silent while the set is not at speed.
func lostDevice(d model.Device) model.AlarmRule {
	rule := model.AlarmRule{ID: fmt.Sprintf("device.%s.lost", d.Name),
		Label: "No answer from " + d.Name,
		Kind:  model.DeviceLost, Device: d.Name, Line: d.Line, OnDelay: 15 * time.Second,
		OffDelay: 3 * time.Second,
		Action: "Use the gauges on the set. Check the device's supply, then the bus: plug, " +
			"polarity, termination.",
		Basis: "15 s: far more than three missed polls (common practice)"}
	if d.PoweredBySet {
		rule.ArmedIn, rule.ArmDelay = atSpeed, 10*time.Second
	}
	return rule
}
