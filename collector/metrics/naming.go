package metrics

import "tickover/model"

// Naming gives every point the series that a scrape shows it as, so that
// readings sent by other ways join those that were scraped. points are those
// configured. What it returns may be used by several goroutines at once.
func Naming(points map[model.PointID]model.Point) func(model.PointID) (model.Series, bool) {
	known := map[model.PointID]model.Series{}
	for _, m := range wellKnown() {
		for id, value := range m.points {
			s := model.Series{Name: m.name, Scale: 1}
			if m.label != "" {
				s.Labels = []model.Label{{Name: m.label, Value: value}}
			}
			known[id] = s
		}
	}
	for id, p := range points {
		g, ok := byQuantity()[p.Quantity]
		if _, well := known[id]; ok && !well && id != model.EngineStatePoint {
			known[id] = model.Series{Name: "genset_point_" + g.suffix, Labels: []model.Label{{Name: "point", Value: string(id)}}, Scale: g.scale}
		}
	}
	return func(id model.PointID) (model.Series, bool) { s, ok := known[id]; return s, ok }
}

// NameEngineState gives the series that is 1 while the engine is in a state.
func NameEngineState(state model.EngineState) model.Series {
	return model.Series{Name: "genset_engine_state", Labels: []model.Label{{Name: "state", Value: state.String()}}, Scale: 1}
}

// NameAlarm gives the series that is 1 while an alarm is active, and the one
// that is 1 while it awaits a person.
func NameAlarm(id string, p model.Priority) (active, awaits model.Series) {
	labels := []model.Label{{Name: "alarm", Value: id}, {Name: "priority", Value: p.String()}}
	return model.Series{Name: "genset_alarm_active", Labels: labels, Scale: 1}, model.Series{Name: "genset_alarm_awaits_person", Labels: labels, Scale: 1}
}
