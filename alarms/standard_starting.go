package alarms

import (
	"time"

	"tickover/model"
)

// battery monitors the starter battery at rest, while it cranks and while it is
// charged. Limits are per 12 V and scale with the nominal voltage.
func battery(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	if !has(model.BatteryVoltage) || r.Battery <= 0 {
		return nil
	}
	scale := r.Battery / 12
	base := model.AlarmRule{Point: model.BatteryVoltage, Kind: model.BelowLimit,
		Deadband: 0.2 * scale}
	rule := func(id, label string, limit float64, on time.Duration, armed []model.EngineState,
		action, basis string) model.AlarmRule {
		a := base
		a.ID, a.Label, a.Limit, a.OnDelay, a.OffDelay = id, label, limit*scale, on, 10*time.Second
		a.ArmedIn = armed
		a.Action, a.Basis = action, basis
		return a
	}
	flat := rule("battery.draining", "Battery discharging while the engine runs", 12.2,
		60*time.Second, onOwnFuel,
		"End the test in good order: the fuel solenoid drops out when the battery is flat.",
		"12.2 V at rest is half full; here no charger raises it (common practice)")
	flat.ArmDelay = 45 * time.Second
	over := rule("battery.overcharged", "Battery overcharged", 15.2, 30*time.Second, onOwnFuel,
		"Keep sparks away: the battery gives off gas. Stop the engine soon. Check the charging "+
			"regulator.",
		"above every charging curve of a warm lead-acid battery (common practice)")
	over.Kind = model.AboveLimit
	much := rule("battery.charging.high", "Charging voltage high", 14.8, 30*time.Second, onOwnFuel,
		"Check the charging regulator and its earth before the battery boils.",
		"0.4 V above the usual 14.4 V (common practice)")
	much.Kind = model.AboveLimit
	sagging := rule("battery.crank.low", "Battery voltage low while cranking", 9.6, time.Second,
		[]model.EngineState{model.Cranking},
		"Stop cranking. Charge the battery. Check its clamps and the earth strap.",
		"9.6 V is the least in a load test of 15 s at 21 °C; 9.3 V at 4 °C, 8.9 V at -7 °C "+
			"(common practice, after battery test pages). Without an air temperature the limit "+
			"is 9.6 V")
	sagging.Cold = model.AmbientTemperature
	deep := rule("battery.crank.collapsed", "Battery voltage collapses while cranking", 8.0,
		time.Second, []model.EngineState{model.Cranking},
		"Stop cranking: relays drop out and this logger may lose its supply. Use a charged "+
			"battery.", "below 8 V, 12 V relays and converters drop out (common practice)")
	standing := []model.EngineState{model.Standstill}
	low := rule("battery.rest.low", "Battery not fully charged", 12.4, 2*time.Hour, standing,
		"Charge the battery before the next start.",
		"12.4 V is three quarters full; the surface charge is gone after two hours at rest "+
			"(common practice)")
	empty := rule("battery.rest.flat", "Battery nearly flat", 12.0, 10*time.Minute, standing,
		"Charge the battery now: a flat battery is soon damaged. This logger may draw from it "+
			"as well.", "12.0 V is a quarter full (common practice)")
	return []model.AlarmRule{over, deep, flat, much, sagging, empty, low}
}

// starter monitors cranking without a pause.
func starter() []model.AlarmRule {
	hot := model.AlarmRule{ID: "starter.hot", Label: "Cranked too long without a pause",
		Kind:  model.AboveLimit,
		Point: model.StarterTime, Limit: 30, Deadband: 25, ArmedIn: nil,
		Action: "Release the starter and let it cool for two minutes. Check fuel, air in the " +
			"fuel and the stop lever.",
		Basis: "30 s of cranking, then two minutes of rest (common practice): four seconds of " +
			"rest for each second of cranking (derived)"}
	long := hot
	long.ID, long.Label, long.Limit, long.Deadband = "starter.long", "Long cranking", 15, 10
	long.Basis = "15 s is one crank of the cranking cycle of NFPA 110, 5.6.4.2"
	return []model.AlarmRule{hot, long}
}
