package config

import (
	"strings"

	"tickover/model"
)

// supply reads what feeds the logger. battery is the nominal voltage of the
// set's, 0 when not given.
func (s *sourceText) supply(top section, battery float64) model.Supply {
	n := top.values["supply"]
	if n == nil {
		return model.Supply{}
	}
	sec, _ := s.section(n, "the supply", "from", "draw", "battery")
	sec.need("from")
	starter := sec.choice("from", []string{"other", "starter battery"}) == 1
	if starter && battery == 0 {
		sec.wrong(sec.at("from"), "add battery: 12 V, or 24 V, to the set",
			"the voltage of the starter battery is missing")
	}
	for _, key := range []string{"draw", "battery"} {
		if sec.values[key] != nil && sec.textOf("from") == "other" {
			sec.wrong(sec.at(key), "write from: starter battery, or remove this",
				"%q applies only when the starter battery feeds the logger", key)
			return model.Supply{}
		}
	}
	supply := model.Supply{Starter: starter, Capacity: sec.capacity("battery")}
	if strings.HasSuffix(strings.TrimSpace(sec.textOf("draw")), "A") {
		supply.Current = sec.within("draw", model.Current, 0.001, 20)
	} else {
		supply.Power = sec.within("draw", model.ActivePower, 0.01, 200)
	}
	return supply
}

// capacity reads the ampere-hours of a battery.
func (s section) capacity(key string) float64 {
	t, ok := s.text(key)
	if !ok || !s.plainNumber(s.at(key), t) {
		return 0
	}
	// An ampere-hour is a current for an hour: read as that current.
	current, isHours := strings.CutSuffix(strings.TrimSpace(t), "h")
	v, err := model.ParseValue(current, model.Current)
	switch {
	case !isHours || err != nil:
		s.wrong(s.at(key), "write the value on its label, such as 100 Ah",
			"%q is not a battery capacity", t)
	case v < 1 || v > 10000:
		s.wrong(s.at(key), "use a value between 1 Ah and 10000 Ah", "%q cannot be %s", key, t)
	default:
		return v
	}
	return 0
}
