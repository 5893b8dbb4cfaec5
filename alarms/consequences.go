package alarms

import (
	"strings"
	"time"

	"tickover/model"
)

// stake is why a rule has its priority: who or what is harmed when nobody acts,
// and how long that takes.
type consequence struct {
	harm      string
	timeToAct time.Duration // 0 means that nothing is harmed: it is for the log
}

// Time to act that makes a priority. The alarm-management standards aim at about
// 5 % critical, 15 % warning and 80 % information (ISA-18.2, from memory).
const (
	actCritical = time.Minute
	actWarning  = time.Hour
)

// priority follows from the time to act.
func (s consequence) priority() model.Priority {
	switch {
	case s.timeToAct == 0 || s.timeToAct > actWarning:
		return model.Information
	case s.timeToAct > actCritical:
		return model.Warning
	}
	return model.Critical
}

// consequences are those of every standard rule, by its ID; of one rule for each sensor
// or device by the end of the ID. All times are common practice.
var consequences = map[string]consequence{
	"oil.pressure.missing":   {"engine: bearings run dry and seize", 10 * time.Second},
	"oil.pressure.low":       {"engine: bearings run dry and seize", 10 * time.Second},
	"oil.switch.low":         {"engine: bearings run dry and seize", 10 * time.Second},
	"oil.pressure.sinking":   {"engine: a slow loss of oil ends in dry bearings", 5 * time.Minute},
	"oil.pressure.falling":   {"engine: a leak ends in dry bearings", 5 * time.Minute},
	"oil.switch.says.low":    {"engine: one of two oil instruments is wrong", 10 * time.Minute},
	"oil.switch.says.enough": {"engine: one of two oil instruments is wrong", 10 * time.Minute},
	"oil.temperature.far.high": {"engine: hot oil no longer carries the bearings",
		3 * time.Minute},
	"oil.temperature.high": {"engine: the oil thins and ages", 10 * time.Minute},
	"oil.switch.at.rest": {"monitoring: the next start runs without the oil switch",
		24 * time.Hour},
	"oil.pressure.at.rest": {"monitoring: the sensor's zero is wrong", 24 * time.Hour},

	"coolant.hot":       {"engine: the coolant boils, head and gasket are lost", time.Minute},
	"coolant.level.low": {"engine: the pump draws air, the head cracks", time.Minute},
	"coolant.soak":      {"none: the stopped block heats the coolant", 0},
	"coolant.warm":      {"engine: it overheats if the load stays", 10 * time.Minute},
	"coolant.rising":    {"engine: it overheats if the load stays", 5 * time.Minute},
	"coolant.dropping":  {"engine: the coolant may be gone", 5 * time.Minute},
	"coolant.cold":      {"engine: it soots and thins its oil over many hours", 24 * time.Hour},

	"engine.overspeed":      {"people: flywheel or rotor may burst", 5 * time.Second},
	"frequency.high":        {"people: flywheel or rotor may burst", 5 * time.Second},
	"frequency.low":         {"load: motors draw more current and heat up", 10 * time.Minute},
	"frequency.off":         {"load: clocks and motors run at the wrong speed", 4 * time.Hour},
	"frequency.hunting.far": {"load: lights flicker, motors and governor wear", 10 * time.Minute},
	"frequency.hunting":     {"load: lights flicker", 4 * time.Hour},

	"voltage.lost": {"alternator: stalled motors draw their locked-rotor current",
		time.Minute},
	"voltage.high":           {"people: appliances burn", 10 * time.Second},
	"voltage.off":            {"load: appliances age", 30 * time.Minute},
	"voltage.absent":         {"load: there is no supply", 30 * time.Minute},
	"voltage.unbalance.far":  {"alternator: its damper and every motor overheat", time.Minute},
	"voltage.unbalance.high": {"load: motors run hot", 30 * time.Minute},
	"neutral.lost": {"people: line voltage on appliances made for phase voltage, fire",
		5 * time.Second},
	"neutral.suspect":       {"people: the neutral may open", 10 * time.Minute},
	"neutral.earth.far":     {"people: metal of the installation is live", time.Second},
	"neutral.earth.high":    {"people: bond or neutral is poor", time.Hour},
	"terminals.live":        {"people: a set believed dead is live", time.Second},
	"current.residual.high": {"people: a fault current flows to earth", 10 * time.Minute},
	"breaker.says.open":     {"people: a circuit believed open is live", 10 * time.Minute},

	"power.far.high":    {"engine: pistons and exhaust valves overheat", time.Minute},
	"power.high":        {"engine: it overheats and wears", 10 * time.Minute},
	"power.hour.used":   {"engine: it overheats and wears", 10 * time.Minute},
	"power.reverse.far": {"engine: another source drives it at full speed", 10 * time.Second},
	"power.reverse":     {"engine: another source drives it", 5 * time.Minute},
	"reactive.leading": {"load: the regulator loses control and the voltage rises",
		5 * time.Minute},
	"load.far.high":       {"alternator: a winding overheats", 5 * time.Minute},
	"load.high":           {"alternator: the insulation of a winding ages fast", time.Hour},
	"load.low":            {"engine: soot builds up over many hours", 24 * time.Hour},
	"load.low.long":       {"engine: soot builds up over many hours", 12 * time.Hour},
	"excitation.far.high": {"alternator: field and regulator overheat", 5 * time.Minute},
	"excitation.high":     {"alternator: iron saturates, the field runs hot", 10 * time.Minute},
	"current.negative.far": {"alternator: the rotor nearly reaches its heating limit",
		time.Minute},
	"current.negative.high":  {"alternator: the rotor runs warm", 24 * time.Hour},
	"current.negative.noted": {"alternator: the rotor runs warm", 24 * time.Hour},
	"current.n.high":         {"load: the neutral conductor runs hot", 30 * time.Minute},
	"winding.hot": {"alternator: insulation ages twice as fast for each 10 K",
		10 * time.Minute},
	"bearing.hot": {"alternator: the bearing's grease fails", 10 * time.Minute},
	"exhaust.hot": {"engine: valves and turbocharger overheat", 10 * time.Minute},

	"engine.stopped.loaded":   {"load: there is no supply", 10 * time.Minute},
	"engine.started.unasked":  {"people: belts and fan turn without warning", time.Second},
	"engine.not.stopping":     {"people: a runaway cannot be stopped by its key", 10 * time.Second},
	"engine.stopping.slowly":  {"people: it may become a runaway", 5 * time.Minute},
	"engine.failed.to.start":  {"load: there is no supply yet", 0},
	"emergency.stop.operated": {"none: the set is stopped already", 0},
	"engine.blind":            {"engine: a loss of oil or coolant does not show", time.Minute},
	"engine.unseen":           {"monitoring: alarms wait for the engine state", 10 * time.Minute},
	"alarms.unwatched":        {"monitoring: some alarms cannot warn", 10 * time.Minute},
	"alarms.flood":            {"monitoring: too many alarms for one person", 10 * time.Minute},

	"battery.overcharged":   {"people: the battery gasses", 10 * time.Minute},
	"battery.charging.high": {"load: the battery loses water over days", 24 * time.Hour},
	"battery.draining": {"engine: the fuel solenoid drops out and the set stops",
		10 * time.Minute},
	"battery.charging": {"engine: the next start fails", time.Hour},
	"charge.lamp.lit":  {"engine: the next start fails", time.Hour},
	"battery.crank.collapsed": {"monitoring: relays and this logger lose their supply",
		2 * time.Minute},
	"battery.crank.low": {"engine: a colder start may fail", 24 * time.Hour},
	"battery.rest.flat": {"engine: the next start fails, the battery spoils", 12 * time.Hour},
	"battery.rest.low":  {"engine: the next cold start may fail", 24 * time.Hour},
	"starter.hot":       {"engine: the starter's winding burns", 2 * time.Minute},
	"starter.long":      {"engine: the starter runs warm", 0},
	"fuel.empty":        {"engine: it draws air and stops", 15 * time.Minute},
	"fuel.time.out":     {"engine: it draws air and stops", time.Hour},
	"fuel.low":          {"load: the supply ends today", 2 * time.Hour},
	"fuel.time.short":   {"load: the supply ends in two hours", 2 * time.Hour},
	"ambient.hot":       {"engine: the radiator has no reserve", 10 * time.Minute},
	"ambient.warm":      {"engine: the radiator loses its reserve", 12 * time.Hour},
	"co.far.high":       {"people: carbon monoxide kills", time.Second},
	"co.high":           {"people: headache, then poisoning", 10 * time.Minute},

	"oil.pressure.failed":        {"engine: this sensor shows no loss of oil", 10 * time.Minute},
	"oil.switch.failed":          {"engine: this sensor shows no loss of oil", 10 * time.Minute},
	"coolant.temperature.failed": {"engine: this sensor shows no overheating", 10 * time.Minute},
	"coolant.level.switch.failed": {"engine: this sensor shows no loss of coolant",
		10 * time.Minute},
	".failed":      {"monitoring: no warning from this point", 24 * time.Hour},
	".stuck":       {"monitoring: no warning from this point", 24 * time.Hour},
	".jumps":       {"monitoring: the readings may be wrong", 24 * time.Hour},
	".never.moves": {"monitoring: no warning from this contact", 24 * time.Hour},
	".lost":        {"monitoring: no warning from this device", 10 * time.Minute},
}

// consequenceOf finds the consequence of a rule; false when it has none.
func consequenceOf(id string) (consequence, bool) {
	if s, ok := consequences[id]; ok {
		return s, true
	}
	for end, s := range consequences {
		if end[0] == '.' && strings.HasSuffix(id, end) {
			return s, true
		}
	}
	return consequence{}, false
}

// prioritised sets a rule's priority from its time to act, with the reason.
func prioritised(r model.AlarmRule) model.AlarmRule {
	if s, ok := consequenceOf(r.ID); ok {
		r.Priority, r.Consequence, r.TimeToAct = s.priority(), s.harm, s.timeToAct
	}
	return r
}
