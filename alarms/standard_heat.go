package alarms

import (
	"fmt"
	"time"

	"tickover/model"
)

// heat monitors the temperatures of oil, exhaust, windings and bearing.
func heat(r model.Rating, has func(model.PointID) bool) []model.AlarmRule {
	hot := func(id, label string, p model.PointID, limit float64) model.AlarmRule {
		return model.AlarmRule{ID: id, Label: label, Kind: model.AboveLimit, Point: p, Limit: limit,
			Deadband: 3,
			OnDelay:  10 * time.Second, OffDelay: 30 * time.Second, ArmedIn: warm}
	}
	var rules []model.AlarmRule
	if has(model.OilTemperature) {
		far := hot("oil.temperature.far.high", "Oil too hot", model.OilTemperature, 125)
		far.Latch = true
		far.Action = "Remove the load. Stop the engine by hand if the temperature does not fall " +
			"within a minute."
		far.Basis = "above 125 °C mineral oil no longer carries a bearing (common practice); the " +
			"engine maker's figure has priority"
		high := hot("oil.temperature.high", "Oil hot", model.OilTemperature, 115)
		high.Action = "Reduce the load. Check oil level, oil cooler and air path."
		high.Basis = "10 K below the critical limit (common practice); the engine maker's figure " +
			"has priority"
		rules = append(rules, far, high)
	}
	rules = append(rules, exhaust(r, has, hot)...)
	var windings []model.PointID
	for _, p := range model.Windings {
		if has(p) {
			windings = append(windings, p)
		}
	}
	if len(windings) > 0 {
		w := hot("winding.hot", "Alternator winding hot", windings[0],
			r.WindingLimit()-windingReserve)
		w.Points = windings
		w.Action = "Reduce the load. Check the alternator's air inlet, the room temperature and " +
			"the most loaded phase."
		w.Basis = fmt.Sprintf("%.0f K below the %.0f °C of insulation class %s, total "+
			"temperature, IEC 60034-1 and IEC 60085 (from memory)",
			windingReserve, r.WindingLimit(), windingClass(r))
		rules = append(rules, w)
	}
	if has(model.BearingTemperature) {
		b := hot("bearing.hot", "Alternator bearing hot", model.BearingTemperature, bearingLimit)
		b.Basis = "above 95 °C the grease of a rolling bearing ages fast (common practice)"
		if r.BearingLimit > 0 {
			b.Limit, b.Basis = r.BearingLimit, "the maker's figure, from the card (common practice)"
		}
		b.Action = "Listen to the bearing and feel for vibration. Stop the set if noise or " +
			"temperature rises."
		rules = append(rules, b)
	}
	return rules
}

const (
	// windingReserve is how far below the temperature of its class a winding is
	// warned of: sensors lie between the coils, and the hottest spot is not seen.
	windingReserve = 10.0 // K
	bearingLimit   = 95.0 // °C
	// exhaustMargin is how much hotter than at a like load before the exhaust may be.
	exhaustMargin = 80.0 // K
)

// exhaust takes the maker's limit, or what was learned at like load.
func exhaust(r model.Rating, has func(model.PointID) bool,
	hot func(id, label string, p model.PointID, limit float64) model.AlarmRule) []model.AlarmRule {
	if !has(model.ExhaustTemperature) {
		return nil
	}
	high := hot("exhaust.hot", "Exhaust hot", model.ExhaustTemperature, r.ExhaustLimit)
	high.Deadband, high.OnDelay = 20, 60*time.Second
	high.Action = "Reduce the load. Check air filter, charge air hoses and injectors."
	high.Basis = "the maker's figure, from the card (common practice)"
	if r.ExhaustLimit > 0 {
		return []model.AlarmRule{high}
	}
	if r.ActivePower() <= 0 || !has(model.PowerActive) && !has(model.PowerActiveL1) {
		return nil
	}
	high.Limit, high.Like = exhaustMargin, model.LoadRatio
	high.Label = "Exhaust hotter than before at the same load"
	high.Basis = "80 K above the first readings at the same load since the logger started, by " +
		"tenths of rated power. An exhaust that is too hot from the beginning does not show: " +
		"enter the maker's limit on the card (derived)"
	return []model.AlarmRule{high}
}

func windingClass(r model.Rating) string {
	if r.Insulation == model.InsulationUnknown {
		return model.AssumedWindingClass.String() + ", assumed"
	}
	return r.Insulation.String()
}
