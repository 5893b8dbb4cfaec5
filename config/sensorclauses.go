package config

import (
	"cmp"
	"slices"
	"strings"

	"tickover/model"
)

// sensorClauses reads what follows the sensor's kind.
func (p *configPoint) sensorClauses(s *model.Sensor, clauses []string) bool {
	for _, c := range clauses {
		if !p.sensorClause(s, c) {
			return false
		}
	}
	ratio := strings.HasPrefix(s.Words, "ratio ") || strings.HasPrefix(s.Words, "table %")
	switch {
	case s.Kind == model.ThermocoupleSensor && s.ColdPoint == "" &&
		!strings.Contains(s.Words, "cold junction"):
		p.wrong(p.at("sensor"),
			"add , cold junction from terminal.temperature or , cold junction 25 °C; without it, "+
				"every reading is wrong by the temperature of the terminals",
			"the cold junction of the thermocouple is missing")
		return false
	case ratio && s.Supply == "":
		p.wrong(p.at("sensor"),
			"add , supply from battery.voltage or the point that measures the supply",
			"the supply of the ratio is missing")
		return false
	case !ratio && s.Supply != "":
		p.wrong(p.at("sensor"), "write ratio 10 %..90 % or table %, with the supply",
			"a supply can be used with a ratio only")
		return false
	}
	return true
}

func (p *configPoint) sensorClause(s *model.Sensor, clause string) bool {
	after := func(prefix string) (string, bool) { return strings.CutPrefix(clause, prefix) }
	if class, ok := after("class "); ok && s.Kind == model.ResistanceThermometer {
		s.Class = class
		if slices.Contains([]string{"AA", "A", "B", "C"}, class) {
			return true
		}
		p.wrong(p.at("sensor"), "use AA, A, B or C (IEC 60751)", "there is no tolerance class %q",
			class)
		return false
	}
	if ohms, ok := after("leads "); ok && s.Kind == model.ResistanceThermometer {
		s.Leads, ok = p.part(ohms, model.Resistance)
		return ok
	}
	if point, ok := after("cold junction from "); ok && s.Kind == model.ThermocoupleSensor {
		s.ColdPoint = model.PointID(point)
		return true
	}
	if text, ok := after("cold junction "); ok && s.Kind == model.ThermocoupleSensor {
		s.Cold, ok = p.part(text, model.Temperature)
		return ok
	}
	if point, ok := after("supply from "); ok {
		s.Supply = model.PointID(point)
		return true
	}
	if span, ok := after("failed outside "); ok && s.Kind == model.LinearSensor {
		low, high, fine := p.span("sensor", span, s.Signal)
		s.Fail = [2]float64{low, high}
		return fine
	}
	p.wrong(p.at("sensor"),
		"class B and leads 0.4 ohm go with Pt100; cold junction from X with a thermocouple; "+
			"supply from X with a ratio; failed outside 3.6 mA..21 mA with a signal",
		"%q cannot be used with this sensor", clause)
	return false
}

// tabled reads the pairs "10 ohm = 0 bar", and puts them in order of the
// signal.
func (p *configPoint) tabled(s *model.Sensor) {
	if p.values["table"] == nil {
		return
	}
	if s.Kind != model.TableSensor {
		p.wrong(p.at("table"), "write sensor: table ohm, or remove the table",
			"this sensor cannot have a table")
		return
	}
	texts, nodes := p.list("table")
	unit := strings.TrimPrefix(clauseHead(s.Words), "table ")
	signal := s.Signal
	if unit == "%" {
		signal = model.Ratio
	}
	for i, t := range texts {
		left, right, ok := strings.Cut(t, "=")
		if !ok {
			p.wrong(nodes[i], "write it as 10 "+unit+" = 0 bar", "%q is not a pair", t)
			return
		}
		in, err := model.ParseValue(strings.TrimSpace(left), signal)
		if err == nil {
			var out float64
			if out, err = model.ParseValue(strings.TrimSpace(right), p.Quantity); err == nil {
				s.Table = append(s.Table, [2]float64{in, out})
				continue
			}
		}
		p.refused(nodes[i], err)
		return
	}
	p.ordered(s)
}

func clauseHead(words string) string {
	head, _ := clausesOf(words)
	return head
}

// ordered demands at least two pairs, no signal twice, and values that go one
// way only: a table that turns back has two signals for one value.
func (p *configPoint) ordered(s *model.Sensor) {
	slices.SortStableFunc(s.Table, func(a, b [2]float64) int { return cmp.Compare(a[0], b[0]) })
	if len(s.Table) < 2 {
		p.wrong(p.at("table"), "write at least two pairs", "the table has fewer than two pairs")
		s.Table = [][2]float64{{0, 0}, {1, 1}}
		return
	}
	rising := s.Table[1][1] > s.Table[0][1]
	for i := 1; i < len(s.Table); i++ {
		a, b := s.Table[i-1], s.Table[i]
		if a[0] == b[0] || a[1] == b[1] || (b[1] > a[1]) != rising {
			p.wrong(p.at("table"), "use different signals, and values that only rise or only fall",
				"the table does not rise or fall steadily between pairs %d and %d", i, i+1)
			return
		}
	}
}

// registered is the quantity that lies in the register: the sensor's signal,
// or what the point measures.
func (p *configPoint) registered() model.Quantity {
	if p.Sensor != nil {
		return p.Sensor.Signal
	}
	return p.Quantity
}

func (p *configPoint) registeredID() model.PointID {
	if p.Sensor != nil {
		return "the signal of " + p.ID
	}
	return p.ID
}

// parted returns the point that is read and, with a sensor, the point calculated from
// it. The raw point keeps the register, the sensed one
// what people know it by.
func (p *configPoint) parted() (raw model.Point, sensed *model.Point) {
	if p.Sensor == nil {
		return p.Point, nil
	}
	raw = p.Point
	raw.ID, raw.Quantity, raw.Sensor = p.Sensor.Raw, p.Sensor.Signal, nil
	raw.Label = strings.TrimSpace(p.Label + " (signal)")
	raw.Low, raw.High, raw.Class = 0, 0, 0
	seen := p.Point
	seen.Register = model.Register{}
	return raw, &seen
}

// checkSecondPoints checks a sensor's cold junction or supply: it must be read by the same device
// at the same pace, or old and
// new values would mix. In a burst it is read with the sensor.
func (r *parser) checkSecondPoints() {
	for i := range r.devices {
		for j := range r.devices[i].points {
			if p := &r.devices[i].points[j]; p.Sensor != nil {
				r.checkSecondPoint(p, p.Sensor.ColdPoint, model.Temperature)
				r.checkSecondPoint(p, p.Sensor.Supply, p.Sensor.Signal)
			}
		}
	}
}

func (r *parser) checkSecondPoint(p *configPoint, id model.PointID, want model.Quantity) {
	if id == "" {
		return
	}
	other := r.find(id)
	switch {
	case other == nil:
		p.wrong(p.at("sensor"), didYouMean(string(id), r.pointIDs()), "there is no point %q", id)
	case other == p:
		p.wrong(p.at("sensor"), "name another point", "%s cannot refer to itself", id)
	case other.Quantity != want:
		p.wrong(p.at("sensor"), "name a point that measures "+want.String(), "%s measures %s", id,
			other.Quantity)
	case other.Device != p.Device || r.pollPlaceOf(other) != r.pollPlaceOf(p):
		p.wrong(p.at("sensor"), "read both from the same device at the same interval",
			"%s and %s are not from the same reading", p.ID, id)
	case other.Sensor != nil && other.Sensor.ColdPoint != "" || other.Sensor != nil &&
		other.Sensor.Supply != "":
		p.wrong(p.at("sensor"), "name a point without a second point",
			"%s itself needs a second point", id)
	case p.Fast && !other.Fast && other.values["fast"] != nil:
		p.wrong(p.at("sensor"), "set fast: no for both or for neither",
			"%s is polled fast in a burst and %s is not", p.ID, id)
	case p.Fast:
		other.Fast = true
	}
}

func (r *parser) pointIDs() []string {
	var ids []string
	for i := range r.devices {
		ids = append(ids, r.devices[i].ids()...)
	}
	return ids
}
