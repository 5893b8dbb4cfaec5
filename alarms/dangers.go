package alarms

import (
	"slices"

	"tickover/model"
)

// instrument is one way to see a danger: what is fitted, and the rules that judge
// it, all of which have to be in force.
type instrument struct {
	name   string
	rules  []string
	limits string // when it does not see the danger
	// needs are points of which one at least has to be there, for rules that no
	// point is named for; empty asks nothing.
	needs []model.PointID
	by    model.PointID // a point that the rules must look at; "" asks nothing
}

// danger is one row of the table, with what is said when nothing sees it.
type danger struct {
	id, name string
	seenBy   []instrument
	blind    string // when no instrument is there
	fit      string // what would see it
}

// dangers is the table of dangers against instruments, gravest first: people,
// then what is lost within seconds, within minutes, within hours.
var dangers = []danger{
	{"co", "carbon monoxide in the air",
		[]instrument{
			{name: "CO sensor", rules: []string{"co.far.high"},
				limits: "it replaces no certified CO alarm"},
		},
		"no instrument shows carbon monoxide",
		"a CO sensor, in addition to certified CO alarms"},
	{"terminals", "terminals live from another source",
		[]instrument{
			{name: "meter with pickup or oil pressure", rules: []string{"terminals.live"},
				limits: "only while pickup or oil pressure shows the standstill"},
		},
		"no instrument shows voltage on a stopped set",
		"a meter, and a speed pickup or an oil pressure transmitter"},
	{"neutral", "neutral lost",
		[]instrument{
			{name: "meter of phase and line voltages", rules: []string{"neutral.lost"},
				limits: "only when the meter's neutral is on the load side of the break"},
		},
		"no instrument shows a broken neutral",
		"a meter of phase and line voltages, its neutral at the board"},
	{"earth", "dangerous voltage between neutral and earth",
		[]instrument{
			{name: "voltmeter neutral to earth", rules: []string{"neutral.earth.far"}},
		},
		"no instrument shows voltage between neutral and earth",
		"a voltage input from neutral to earth"},
	{"leakage", "earth leakage current",
		[]instrument{
			{name: "residual current transformer", rules: []string{"current.residual.high"}},
		},
		"no instrument shows a leakage current",
		"a residual current transformer"},
	{"start", "unexpected start",
		[]instrument{
			{name: "key contact", rules: []string{"engine.started.unasked"}},
		},
		"no instrument shows an unexpected start",
		"a contact of the key"},
	{"breaker", "circuit live although the breaker contact shows open",
		[]instrument{
			{name: "breaker contact with current", rules: []string{"breaker.says.open"},
				limits: "only while current flows"},
		},
		"no instrument shows whether the breaker is closed",
		"the breaker's auxiliary contact"},
	{"overspeed", "overspeed",
		[]instrument{
			{name: "speed pickup", rules: []string{"engine.overspeed"}},
			{name: "frequency", rules: []string{"frequency.high"},
				limits: "blind without excitation"},
		},
		"no instrument shows overspeed",
		"a speed pickup"},
	{"runaway", "engine does not stop",
		[]instrument{
			{name: "key contact", rules: []string{"engine.not.stopping"}},
		},
		"no instrument shows an engine that does not stop",
		"a contact of the key"},
	{"oil", "loss of oil pressure",
		[]instrument{
			{name: "oil pressure transmitter",
				rules: []string{"oil.pressure.missing", "oil.pressure.low"}},
			{name: "oil pressure switch", rules: []string{"oil.switch.low"},
				limits: "no warning before it is low"},
		},
		"no instrument shows a loss of oil pressure",
		"an oil pressure transmitter, or a contact of the switch"},
	{"coolant", "engine too hot",
		[]instrument{
			{name: "coolant temperature", rules: []string{"coolant.hot"},
				limits: "blind when the sensor is in air"},
		},
		"no instrument shows an engine that is too hot",
		"a coolant temperature sensor"},
	{"level", "loss of coolant",
		[]instrument{
			{name: "coolant level switch", rules: []string{"coolant.level.low"},
				limits: "a contact that sticks is not noticed: try it by hand"},
			{name: "coolant temperature", rules: []string{"coolant.dropping"},
				limits: "only under load, when it drops by 5 K a minute"},
		},
		"no instrument shows a loss of coolant",
		"a coolant level switch"},
	{"reverse", "set driven as a motor",
		[]instrument{
			{name: "power meter", rules: []string{"power.reverse.far"}},
		},
		"no instrument shows power that flows into the set",
		"a meter of active power"},
	{"overload", "engine overloaded",
		[]instrument{
			{name: "power meter", rules: []string{"power.far.high"}},
			{name: "phase currents", rules: []string{"load.far.high"},
				limits: "heaters overload the engine at 92 % of rated current"},
		},
		"no instrument shows an engine overload",
		"a meter of active power"},
	{"voltage.high", "voltage high",
		[]instrument{
			{name: "voltmeter", rules: []string{"voltage.high"}},
		},
		"no instrument shows a high voltage",
		"a meter"},
	{"voltage.lost", "voltage lost",
		[]instrument{
			{name: "voltmeter", rules: []string{"voltage.lost"},
				limits: "only after it was normal in this run"},
		},
		"no instrument shows a lost voltage",
		"a meter"},
	{"voltage.absent", "no voltage at speed",
		[]instrument{
			{name: "voltmeter with speed pickup", rules: []string{"voltage.absent"},
				by: model.SpeedPoint},
			{name: "voltmeter with frequency", rules: []string{"voltage.absent"},
				by:     model.FrequencyPoint,
				limits: "blind below the voltage at which a meter finds a frequency"},
		},
		"no instrument shows that the voltage does not build up",
		"a meter, and a speed pickup"},
	{"rotor", "rotor heated by unbalanced load",
		[]instrument{
			{name: "three phase currents", rules: []string{"current.negative.far"}},
		},
		"no instrument shows an unbalanced load",
		"three current transformers"},
	{"unbalance", "voltage unbalance",
		[]instrument{
			{name: "three line voltages", rules: []string{"voltage.unbalance.far"}},
		},
		"no instrument shows voltage unbalance",
		"a meter of line voltages"},
	{"excitation", "overexcitation",
		[]instrument{
			{name: "voltmeter with frequency", rules: []string{"excitation.far.high"}},
		},
		"no instrument shows overexcitation",
		"a meter of voltage and frequency"},
	{"capacitive", "load that excites the set",
		[]instrument{
			{name: "reactive power", rules: []string{"reactive.leading"}},
		},
		"no instrument shows leading reactive power",
		"a meter of reactive power"},
	{"winding", "alternator winding too hot",
		[]instrument{
			{name: "winding sensors", rules: []string{"winding.hot"}},
			{name: "phase currents", rules: []string{"load.far.high"},
				limits: "blind to blocked cooling air"},
		},
		"no instrument shows a winding that is too hot",
		"winding temperature sensors"},
	{"oil.hot", "oil too hot",
		[]instrument{
			{name: "oil temperature", rules: []string{"oil.temperature.far.high"}},
		},
		"no instrument shows oil that is too hot",
		"an oil temperature sensor"},
	{"bearing", "alternator bearing too hot",
		[]instrument{
			{name: "bearing temperature", rules: []string{"bearing.hot"}},
		},
		"no instrument shows a bearing that is too hot",
		"a bearing temperature sensor"},
	{"exhaust", "exhaust too hot",
		[]instrument{
			{name: "exhaust temperature", rules: []string{"exhaust.hot"}},
		},
		"no instrument shows an exhaust that is too hot",
		"an exhaust temperature sensor, and a meter of active power or the maker's limit"},
	{"slow", "engine slows down on load",
		[]instrument{
			{name: "frequency", rules: []string{"frequency.low"},
				limits: "blind without excitation"},
		},
		"no instrument shows an engine that slows down",
		"a meter of frequency"},
	{"stop", "engine stops on load",
		[]instrument{
			{name: "engine state with load", rules: []string{"engine.stopped.loaded"},
				needs: []model.PointID{model.PowerActive, model.PowerActiveL1, model.CurrentL1,
					model.CurrentL2, model.CurrentL3}},
		},
		"no instrument shows a stop on load",
		"a meter of power or current"},
	{"charge", "battery not charged",
		[]instrument{
			{name: "battery voltage", rules: []string{"battery.charging", "battery.draining"}},
			{name: "charging lamp", rules: []string{"charge.lamp.lit"}},
		},
		"no instrument shows a battery that is not charged",
		"a battery voltage input, or a contact of the charging lamp"},
	{"overcharge", "battery overcharged",
		[]instrument{
			{name: "battery voltage", rules: []string{"battery.overcharged"}},
		},
		"no instrument shows a battery that is overcharged",
		"a battery voltage input"},
	{"air", "room too hot",
		[]instrument{
			{name: "air temperature", rules: []string{"ambient.hot"}},
		},
		"no instrument shows air that is too hot",
		"an air temperature sensor"},
	{"fuel", "fuel runs out",
		[]instrument{
			{name: "fuel level", rules: []string{"fuel.empty"}},
		},
		"no instrument shows the fuel",
		"a fuel level sender"},
}

// Dangers holds the rules in force against the table of dangers, gravest first.
func Dangers(rules []model.AlarmRule, points map[model.PointID]model.Point) []model.Danger {
	byID := map[string]model.AlarmRule{}
	for _, r := range rules {
		byID[r.ID] = r
	}
	out := make([]model.Danger, len(dangers))
	for i, d := range dangers {
		out[i] = d.against(byID, points)
	}
	return out
}

func (d danger) against(rules map[string]model.AlarmRule,
	points map[model.PointID]model.Point) model.Danger {
	out := model.Danger{ID: d.id, Name: d.name}
	if s, ok := consequenceOf(d.seenBy[0].rules[0]); ok {
		out.Consequence = s.harm
	}
	var limits string
	for _, s := range d.seenBy {
		if !s.there(rules, points) {
			continue
		}
		seen := model.Sight{Instrument: s.name, Rules: s.rules, Limits: s.limits}
		for _, id := range s.rules {
			seen.Points = append(seen.Points, pointsOf(rules[id])...)
		}
		slices.Sort(seen.Points)
		seen.Points = slices.Compact(seen.Points)
		out.Seen = append(out.Seen, seen)
		limits = d.name + " only by " + s.name + ": " + s.limits
	}
	switch first := d.seenBy[0].name; {
	case len(out.Seen) == 0:
		out.Blind, out.Fit = d.blind, d.fit
	case out.Seen[0].Instrument != first:
		out.Blind, out.Fit = limits, d.fit
	}
	return out
}

// there reports whether the instrument is there and its rules in force.
func (s instrument) there(rules map[string]model.AlarmRule,
	points map[model.PointID]model.Point) bool {
	for _, id := range s.rules {
		r, ok := rules[id]
		if !ok || s.by != "" && !slices.Contains(pointsOf(r), s.by) {
			return false
		}
	}
	has := func(p model.PointID) bool { _, ok := points[p]; return ok }
	return len(s.needs) == 0 || slices.ContainsFunc(s.needs, has)
}

// pointsOf are the points that a rule looks at.
func pointsOf(r model.AlarmRule) []model.PointID {
	all := append(slices.Clone(r.Points), r.Point, r.While.Point)
	return slices.DeleteFunc(all, func(p model.PointID) bool { return p == "" })
}
