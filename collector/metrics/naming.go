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
