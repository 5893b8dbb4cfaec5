package alarms

import (
	"fmt"
	"time"

	"tickover/model"
)

// voltages watches the three phase voltages, or the three line voltages when
// the set has no neutral to measure against.
func voltages(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if r.Voltage <= 0 {
		return nil
	}
	measured, rated, names := model.PhaseVoltages, r.PhaseVoltage(), [3]string{"L1", "L2", "L3"}
	if !has(measured[0]) && !has(measured[1]) && !has(measured[2]) {
		measured, rated, names = model.LineVoltages, r.Voltage, [3]string{"L1-L2", "L2-L3", "L3-L1"}
	}
	var rules []model.AlarmRule
	for i, p := range measured {
		if has(p) {
			rules = append(rules, voltage(p, names[i], rated)...)
		}
	}
	return rules
}

func voltage(p model.PointID, name string, rated float64) []model.AlarmRule {
	far := model.AlarmRule{ID: string(p) + ".far.off", Label: "Voltage " + name + " far off", Priority: model.Critical,
		Kind: model.OutsideBand, Point: p, Low: 0.85 * rated, Limit: 1.15 * rated, Deadband: 0.01 * rated,
		OnDelay: 2 * time.Second, OffDelay: 5 * time.Second, Latch: true, ArmedIn: atSpeed, GoodOnce: true,
		Action: "Switch the load off at the breaker before appliances suffer. Then look at neutral, excitation and regulator.",
		Basis:  "half as much again as the ±10 % band of public supply in EN 50160 (from memory); 2 s lets the dip of a load step pass (derived)"}
	off := far
	off.ID, off.Label, off.Priority, off.Latch = string(p)+".off", "Voltage "+name+" off its band", model.Warning, false
	off.Low, off.Limit, off.OnDelay = 0.90*rated, 1.10*rated, 5*time.Second
	off.Action = "Set the voltage regulator; compare the three phases and the load on each."
	off.Basis = "±10 % of nominal, the band of public supply in EN 50160 (from memory), for 5 s"
	return []model.AlarmRule{far, off}
}

// load watches the most loaded phase and the heat in the excitation.
func load(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	var rules []model.AlarmRule
	if r.Current() > 0 && (has(model.CurrentL1) || has(model.CurrentL2) || has(model.CurrentL3)) {
		rules = append(rules, model.AlarmRule{ID: "load.high", Label: "A phase carries more than its rating", Priority: model.Warning,
			Kind: model.AboveLimit, Point: model.LoadApparentRatio, Limit: 1.0, Deadband: 0.02, OnDelay: 60 * time.Second,
			OffDelay: 10 * time.Second, ArmedIn: atSpeed, Action: "Move or shed load on the phase that carries most.",
			Basis: "rated current of the nameplate; 60 s lets motors start (common practice)"})
	}
	if r.Voltage > 0 && r.Frequency > 0 && has(model.FrequencyPoint) && has(model.VoltageL1N) {
		rules = append(rules, model.AlarmRule{ID: "excitation.high", Label: "Too many volts for the speed", Priority: model.Warning,
			Kind: model.AboveLimit, Point: model.VoltsPerHertzRatio, Limit: 1.10, Deadband: 0.02, OnDelay: 30 * time.Second,
			OffDelay: 10 * time.Second, ArmedIn: onOwnFuel, Action: "Raise the speed to rated or switch the excitation off; do not idle excited.",
			Basis: "10 % more flux than rated, where iron begins to saturate (common practice)"})
	}
	return rules
}

// engineSensors are the points without which an engine is run blind.
var engineSensors = []model.PointID{model.OilPressure, model.CoolantTemperature, model.SpeedPoint, model.BatteryVoltage,
	model.OilTemperature, model.OilSwitch}

// sight watches that the engine can be seen at all.
func sight(has func(model.PointID) bool) []model.AlarmRule {
	rules := []model.AlarmRule{{ID: "engine.unseen", Label: "Cannot tell what the engine does", Priority: model.Critical,
		Kind: model.BelowLimit, Point: model.EngineStatePoint, Limit: 0.5, OnDelay: 10 * time.Second, OffDelay: 3 * time.Second,
		ArmedIn: onOwnFuel, Action: "Go to the engine and watch its own gauges; stop it by hand if nobody can stay.",
		Basis: "10 s: longer than a line needs to come back after the noise of a crank (common practice)"}}
	for _, p := range engineSensors {
		if has(p) {
			rules = append(rules, model.AlarmRule{ID: string(p) + ".failed", Label: "Sensor failed: " + string(p), Priority: model.Warning,
				Kind: model.PointFailed, Point: p, OnDelay: 5 * time.Second, OffDelay: 5 * time.Second,
				Action: "Read the gauge on the engine instead. Look at plug, wire and sensor when it stands still.",
				Basis:  "a signal outside its window for 5 s is no noise (common practice)"})
		}
	}
	return rules
}

// lostDevice watches that a device answers. One that lives on the set's own
// voltage is expected to be silent while the set is not at speed.
func lostDevice(d model.Device) model.AlarmRule {
	rule := model.AlarmRule{ID: fmt.Sprintf("device.%s.lost", d.Name), Label: "No answer from " + d.Name, Priority: model.Warning,
		Kind: model.DeviceLost, Device: d.Name, OnDelay: 15 * time.Second, OffDelay: 3 * time.Second,
		Action: "Use the gauges on the set. Look at the device's supply, then at the bus: plug, polarity, termination.",
		Basis:  "15 s: far beyond three missed polls (common practice)"}
	if d.PoweredBySet {
		rule.ArmedIn, rule.ArmDelay = atSpeed, 10*time.Second
	}
	return rule
}
