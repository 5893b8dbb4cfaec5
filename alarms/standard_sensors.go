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
var engineSensors = [...]model.PointID{model.OilPressure, model.CoolantTemperature, model.SpeedPoint, model.BatteryVoltage,
	model.OilTemperature, model.OilSwitch}

// sight watches that the engine and the alarms can see.
//
// A meter that lives on the set's own voltage is dark until the set is at
// speed: what it would watch counts as unwatched, but is no news before then.
func sight(devices []model.Device) []model.AlarmRule {
	armed, after := onOwnFuel, time.Duration(0)
	if slices.ContainsFunc(devices, func(d model.Device) bool { return d.PoweredBySet }) {
		armed, after = atSpeed, 10*time.Second
	}
	action := "Go to the engine and watch its own gauges; stop it by hand if nobody can stay."
	unseen := model.AlarmRule{ID: "engine.unseen", Label: "Cannot tell what the engine does",
		Kind: model.BelowLimit, Point: model.EngineStatePoint, Limit: 0.5, OnDelay: 20 * time.Second, OffDelay: 3 * time.Second,
		ArmedIn: onOwnFuel, Action: action, Basis: "20 s: longer than a line needs to come back after the noise of a crank (common practice), and after the alarm that none of the sensors can be seen"}
	blind := unseen
	blind.ID, blind.Label, blind.Point = "engine.blind", "None of the engine's sensors can be seen", model.EngineSignals
	blind.OnDelay, blind.Basis = 10*time.Second, "10 s: longer than a line needs to come back after the noise of a crank (common practice)"
	return []model.AlarmRule{unseen, blind,
		{ID: "alarms.unwatched", Label: "Alarms cannot see", Kind: model.AboveLimit, Point: model.AlarmsUnwatched,
			Limit: 0.5, OnDelay: 8 * time.Second, OffDelay: 3 * time.Second, ArmedIn: armed, ArmDelay: after,
			Action: "Watch by eye what the list of alarms calls unwatched, until its sensor or device is back.",
			Basis:  "what cannot see must not look like normal: after 5 s without a value and 8 s more (derived)"},
		{ID: "alarms.flood", Label: "Many alarms at once", Kind: model.AboveLimit, Point: model.AlarmsRaised,
			Limit: floodAbove + 0.5, Deadband: floodAbove - floodEnds + 1, OffDelay: 60 * time.Second,
			Action: "Look at the first one: the others may follow from it. Stop the engine by hand if you cannot tell.",
			Basis:  "a flood by ISA-18.2 and EEMUA 191: more than ten alarms announced in ten minutes; it is over at fewer than five (from memory). Information is not counted, nor what is shown under another alarm"},
	}
}

// failures watches that each of the engine's sensors gives a signal at all,
// and that the signal could be true.
func failures(points map[model.PointID]model.Point) []model.AlarmRule {
	has := func(p model.PointID) bool { _, ok := points[p]; return ok }
	var rules []model.AlarmRule
	others := []model.PointID{model.MonoxidePoint, model.ExhaustTemperature, model.AmbientTemperature, model.FuelLevel, model.ChargeLamp, model.KeyOn,
		model.WindingL1, model.WindingL2, model.WindingL3, model.BearingTemperature, model.CoolantLevelSwitch, model.EmergencyStop,
		model.BreakerClosed, model.ResidualCurrent, model.NeutralToEarth}
	for _, p := range append(engineSensors[:], others...) {
		if has(p) {
			rules = append(rules, failedSensor(p))
		}
	}
	for _, p := range []model.PointID{model.OilPressure, model.OilTemperature, model.CoolantTemperature, model.ExhaustTemperature, model.BatteryVoltage, model.SpeedPoint,
		model.WindingL1, model.WindingL2, model.WindingL3, model.BearingTemperature} {
		if has(p) {
			rules = append(rules, stuckSensor(p))
		}
	}
	for p, limit := range map[model.PointID]float64{model.CoolantTemperature: 10, model.OilTemperature: 10, model.OilPressure: 20e5} {
		if has(p) {
			rules = append(rules, jumpingSensor(p, limit))
		}
	}
	slices.SortStableFunc(rules, func(a, b model.AlarmRule) int { return strings.Compare(a.ID, b.ID) })
	return append(rules, contacts(has)...)
}

func failedSensor(p model.PointID) model.AlarmRule {
	r := model.AlarmRule{ID: string(p) + ".failed", Label: "Sensor failed: " + string(p),
		Kind: model.PointFailed, Point: p, OnDelay: 5 * time.Second, OffDelay: 5 * time.Second,
		Basis: "open, shorted, or outside its plausible window; of 4 to 20 mA a reading is believed from 3.8 to 20.5, and below 3.6 or above 21 the sensor has failed (NAMUR NE 43). A signal out for 5 s is no noise (common practice)"}
	instead := map[model.PointID]string{
		model.BatteryVoltage: "Measure at the battery's posts instead.", model.SpeedPoint: "Take the speed from the frequency, or from a hand tachometer.",
		model.FuelLevel: "Dip the tank instead.", model.AmbientTemperature: "Hang a thermometer at the radiator's inlet instead.",
		model.ExhaustTemperature: "Watch the smoke instead.", model.KeyOn: "Look at the key itself.", model.ChargeLamp: "Look at the lamp itself.",
		model.MonoxidePoint: "Trust the certified CO alarm, and keep out without one.",
		model.WindingL1:     "Hold a thermometer at the alternator's air outlet instead.", model.WindingL2: "Hold a thermometer at the alternator's air outlet instead.",
		model.WindingL3: "Hold a thermometer at the alternator's air outlet instead.", model.BearingTemperature: "Hold a thermometer to the bearing cover instead.",
		model.CoolantLevelSwitch: "Look at the header tank when it is cold.", model.EmergencyStop: "Look at the button itself.",
		model.BreakerClosed: "Look at the breaker's handle.", model.ResidualCurrent: "Test the residual current device with its button.",
		model.NeutralToEarth: "Measure between neutral and earth with a hand meter.",
		model.OilSwitch:      "Watch the gauge and the warning lamp on the engine instead.",
	}[p]
	r.Action = cmp.Or(instead, "Read the gauge on the engine instead.") + " Look at plug, wire and sensor when it stands still."
	if q, _ := model.KnownQuantity(p); q == model.State {
		r.Basis = "the adapter itself says that its input fails. A signal out for 5 s is no noise (common practice)"
	}
	return r
}

func stuckSensor(p model.PointID) model.AlarmRule {
	return model.AlarmRule{ID: string(p) + ".stuck", Label: "Sensor does not move: " + string(p), Kind: model.StuckFor, Point: p,
		Window: 10 * time.Minute, Action: "Do not trust this reading; use a gauge or a hand instrument. Look at sensor and adapter.",
		Basis: "the same to the last digit for 10 min although the engine started or stopped 2 min ago or more: a real signal moves (common practice)"}
}

func jumpingSensor(p model.PointID, limit float64) model.AlarmRule {
	return model.AlarmRule{ID: string(p) + ".jumps", Label: "Sensor jumps: " + string(p), Kind: model.JumpsFaster, Point: p,
		Limit: limit, OffDelay: 60 * time.Second, Action: "Look for a loose plug, a chafed wire or a bad earth of the sensor.",
		Basis: "faster than what it measures can change: 10 K in a second of a liquid with the mass of an engine round it, 20 bar of oil, more than its pump can give (derived)"}
}

// contacts watches switches, and what a switch and a transmitter say of the
// same pressure.
func contacts(has func(model.PointID) bool) []model.AlarmRule {
	var rules []model.AlarmRule
	for _, p := range []model.PointID{model.OilSwitch, model.ChargeLamp, model.KeyOn} {
		if has(p) {
			rules = append(rules, model.AlarmRule{ID: string(p) + ".never.moves", Label: "Contact never moves: " + string(p),
				Kind: model.NeverMoves, Point: p, Limit: 3,
				Action: "Test the contact by hand: it has to change between standstill and running. Until then nothing that it would warn of is seen.",
				Basis:  "three starts without a change: a sound contact changes at each (derived)"})
		}
	}
	if has(model.OilSwitch) {
		rules = append(rules, switchAtRest(has))
	}
	if !has(model.OilPressure) {
		return rules
	}
	rules = append(rules, model.AlarmRule{ID: "oil.pressure.at.rest", Label: "Oil pressure shown at standstill",
		Kind: model.AboveLimit, Point: model.OilPressure, Limit: 30e3, Deadband: 10e3, OnDelay: 60 * time.Second, ArmedIn: []model.EngineState{model.Standstill},
		Action: "The sensor's zero is off: do not trust it when it runs. Compare it with the gauge.",
		Basis:  "0.3 bar a minute after the last turn: a pump that stands gives no pressure (derived)"})
	if !has(model.OilSwitch) {
		return rules
	}
	low := model.AlarmRule{ID: "oil.switch.says.low", Label: "Oil switch says low, the transmitter does not",
		Kind: model.AboveLimit, Point: model.OilSwitch, Limit: 0.5, While: model.AlarmCondition{Point: model.OilPressure, Limit: oilDisagrees},
		OnDelay: 10 * time.Second, OffDelay: 5 * time.Second, ArmedIn: onOwnFuel,
		Action: "Believe the lower of the two until a gauge has settled it. Take the load off.",
		Basis:  "switches of engines open between 0.3 and 0.7 bar; at 1 bar on the transmitter one of the two is wrong (common practice)"}
	high := low
	high.ID, high.Label = "oil.switch.says.enough", "Oil switch says enough, the transmitter does not"
	high.Kind, high.While = model.BelowLimit, model.AlarmCondition{Point: model.OilPressure, Below: true, Limit: 15e3}
	high.Basis = "at 0.15 bar on the transmitter any switch has closed: one of the two is wrong (common practice)"
	return append(rules, low, high)
}

// switchAtRest watches an oil switch while there is no pressure: one that is
// stuck or has lost its wire shows so before the start, not after it. A switch
// that is fed by the key is judged with the key on only.
func switchAtRest(has func(model.PointID) bool) model.AlarmRule {
	rule := model.AlarmRule{ID: "oil.switch.at.rest", Label: "Oil pressure switch open at standstill",
		Kind: model.BelowLimit, Point: model.OilSwitch, Limit: 0.5, OnDelay: 60 * time.Second,
		ArmedIn: []model.EngineState{model.Standstill},
		Action: "Test the oil pressure switch and its wire before the next start. " +
			"Without them it cannot warn of low oil pressure.",
		Basis: "a minute after the last turn there is no pressure, so the switch is closed; " +
			"it is open when it sticks, when its wire is off, or when the key feeds its circuit (common practice)"}
	if has(model.KeyOn) {
		rule.While = model.AlarmCondition{Point: model.KeyOn, Limit: 0.5}
		rule.OnDelay = 10 * time.Second
	}
	return rule
}

// lostDevice watches that a device answers. One that lives on the set's own
// voltage is expected to be silent while the set is not at speed.
func lostDevice(d model.Device) model.AlarmRule {
	rule := model.AlarmRule{ID: fmt.Sprintf("device.%s.lost", d.Name), Label: "No answer from " + d.Name,
		Kind: model.DeviceLost, Device: d.Name, Line: d.Line, OnDelay: 15 * time.Second, OffDelay: 3 * time.Second,
		Action: "Use the gauges on the set. Look at the device's supply, then at the bus: plug, polarity, termination.",
		Basis:  "15 s: far beyond three missed polls (common practice)"}
	if d.PoweredBySet {
		rule.ArmedIn, rule.ArmDelay = atSpeed, 10*time.Second
	}
	return rule
}
