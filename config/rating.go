package config

import (
	"slices"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// cardKeys are the keys of the set beyond its nameplate.
var cardKeys = []string{"droop", "overspeed limit", "overload hour", "permitted unbalance",
	"stopped by", "insulation class",
	"excitation", "thermostat opens", "thermostat full open", "exhaust limit", "bearing limit"}

func readRating(s *sourceText, n *yaml.Node) model.Rating {
	sec, _ := s.section(n, "the set", slices.Concat([]string{"name", "site", "apparent power",
		"power factor", "voltage",
		"frequency", "poles", "battery", "judged by"}, cardKeys)...)
	r := model.Rating{
		Name: sec.textOf("name"), Site: sec.textOf("site"), Class: sec.textOf("judged by"),
		ApparentPower: sec.within("apparent power", model.ApparentPower, 100, 1e8),
		PowerFactor:   defaultPowerFactor,
		Voltage:       sec.within("voltage", model.Voltage, 10, 50000),
		Frequency:     sec.within("frequency", model.Frequency, 10, 1000),
		Battery:       sec.within("battery", model.Voltage, 1, 1000),
	}
	if sec.values["power factor"] != nil {
		r.PowerFactor = sec.within("power factor", model.PowerFactor, 0.1, 1)
	}
	r.Poles, _ = sec.whole("poles", 2, 100)
	if r.Poles%2 == 1 {
		sec.wrong(sec.at("poles"), "at 50 Hz: 2 for 3000 r/min, 4 for 1500 r/min",
			"the number of poles must be even")
	}
	r.Card = sec.card(r)
	return r
}

// card reads what the makers' papers say, and notes what contradicts the rest
// of the card.
func (s section) card(r model.Rating) model.Card {
	c := model.Card{
		Droop:              s.within("droop", model.Ratio, 0.001, 0.15),
		Overspeed:          s.within("overspeed limit", model.Speed, 1, 100),
		OverloadHour:       s.yes("overload hour"),
		Unbalance:          s.within("permitted unbalance", model.Ratio, 0.01, 0.4),
		StoppedBy:          model.StopMeans(s.choice("stopped by", model.StopMeansNames())),
		Insulation:         s.insulation(),
		ExcitationOff:      s.choice("excitation", []string{"on", "off"}) == 1,
		ThermostatOpens:    s.within("thermostat opens", model.Temperature, 40, 95),
		ThermostatFullOpen: s.within("thermostat full open", model.Temperature, 45, 120),
		ExhaustLimit:       s.within("exhaust limit", model.Temperature, 200, 900),
		BearingLimit:       s.within("bearing limit", model.Temperature, 50, 150),
	}
	r.Card = c
	s.checkThermostat(c)
	s.checkOverspeed(r)
	return c
}

func (s section) insulation() model.InsulationClass {
	if s.values["insulation class"] == nil {
		return model.InsulationUnknown
	}
	return model.InsulationClass(1 + s.choice("insulation class", model.InsulationClassNames()[1:]))
}

// boiling is where water boils without pressure at sea level, °C.
const boiling = 100

func (s section) checkThermostat(c model.Card) {
	const opens, full = "thermostat opens", "thermostat full open"
	switch {
	case c.ThermostatFullOpen >= boiling:
		s.wrong(s.at(full),
			"read the temperature on the thermostat itself; most are fully open between 85 "+
				"and 97 °C",
			"%q at %s is the boiling point of water without pressure", full, s.textOf(full))
	case c.ThermostatOpens > 0 && c.ThermostatFullOpen > 0 &&
		c.ThermostatOpens >= c.ThermostatFullOpen:
		s.wrong(s.at(opens),
			"a wax thermostat opens fully about 6 to 15 K higher: correct one of them",
			"the thermostat opens at %s, but is fully open at %s (line %d)", s.textOf(opens),
			s.textOf(full), s.at(full).Line)
	}
}

// checkOverspeed holds the limit of the overspeed device against the speed
// without load, which a sound set reaches every day.
func (s section) checkOverspeed(r model.Rating) {
	const key = "overspeed limit"
	if r.Overspeed == 0 || r.Speed() == 0 {
		return
	}
	noLoad := r.Speed() * (1 + r.FrequencyDroop())
	switch {
	case r.Overspeed <= noLoad:
		droop := "the droop of " + model.Ratio.ShowWithUnit(r.FrequencyDroop())
		if r.Droop == 0 {
			droop = "the class's droop of " + model.Ratio.ShowWithUnit(r.FrequencyDroop()) +
				" (none is given)"
		}
		s.wrong(s.at(key), "correct the limit, or the droop, the poles or the frequency",
			"the overspeed limit of %s is below the speed without load, %s by %s", s.textOf(key),
			model.Speed.ShowWithUnit(noLoad), droop)
	case r.Overspeed > mostOverspeed*r.Speed():
		s.wrong(s.at(key),
			"overspeed devices act at 110 to 120 % of rated speed; correct the limit, the poles "+
				"or the frequency",
			"the overspeed limit of %s is more than %s of the rated %s", s.textOf(key),
			model.Ratio.ShowWithUnit(mostOverspeed), model.Speed.ShowWithUnit(r.Speed()))
	}
}

// mostOverspeed is beyond every overspeed device: rotors are tested at 120 %
// of rated speed (IEC 60034-1, from memory).
const mostOverspeed = 1.3
