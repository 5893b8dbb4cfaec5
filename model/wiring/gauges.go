package wiring

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"tickover/model"
)

// hands holds readings of a hand meter against what the sensor showed then.
// quantity picks the points; NoQuantity means the battery. example is how one
// is entered.
func handReadings(code, title string, b Context, quantity model.Quantity,
	example string) model.Check {
	var bad, good []string
	for _, e := range b.Hand {
		m := e.Hand
		if m == nil || m.Kind != model.HandMeterKind || picked(m) != quantity {
			continue
		}
		shown, ok := m.Conditions[model.SensorReading]
		if !ok || m.Value == 0 {
			continue
		}
		r := shown / m.Value
		words := fmt.Sprintf("%s shows %s, the hand meter %s", m.Points,
			m.Quantity.ShowWithUnit(shown), m.Quantity.ShowWithUnit(m.Value))
		within := math.Abs(r-1) <= 0.05
		if quantity == model.NoQuantity {
			within = math.Abs(shown-m.Value) <= 0.1
		}
		if within {
			good = append(good, words)
		} else {
			bad = append(bad, words+nearRatio(r))
		}
	}
	if len(bad)+len(good) == 0 {
		return notDetermined(code, title,
			`no hand-meter reading was entered: tickover measure take "hand meter" `+example)
	}
	return check(code, title, len(bad) > 0, strings.Join(append(bad, good...), "; "),
		"correct the scale in the configuration or the ratio in the meter")
}

func picked(m *model.Measurement) model.Quantity {
	if model.PointID(m.Points) == model.BatteryVoltage {
		return model.NoQuantity
	}
	return m.Quantity
}

// Gauges holds the panel's gauges against the sensors: at least three readings
// of a gauge together with the sensor. It separates a dead gauge from one
// that is offset and one on the curve of another sender, and returns the
// correction as a table.
func Gauges(hand []model.Event) []model.Check {
	pairs := map[string][][2]float64{} // gauge, sensor
	var order []string
	quantity := map[string]model.Quantity{}
	corrected := map[uint64]bool{}
	for _, e := range hand {
		if e.Hand != nil && e.Hand.Corrects != 0 {
			corrected[e.Hand.Corrects] = true
		}
	}
	for _, e := range hand {
		m := e.Hand
		if m == nil || m.Kind != model.PanelGaugeKind || corrected[e.Seq] && e.Seq != 0 {
			continue
		}
		if pairs[m.Points] == nil {
			order = append(order, m.Points)
		}
		quantity[m.Points] = m.Quantity
		if v, ok := m.Conditions[model.SensorReading]; ok {
			pairs[m.Points] = append(pairs[m.Points], [2]float64{m.Value, v})
		} else if pairs[m.Points] == nil {
			pairs[m.Points] = [][2]float64{}
		}
	}
	var all []model.Check
	for _, name := range order {
		all = append(all, gauge(name, quantity[name], pairs[name]))
	}
	return all
}

func gauge(name string, q model.Quantity, p [][2]float64) model.Check {
	c := model.Check{Code: "G." + name, Title: "panel gauge of " + name}
	slices.SortFunc(p, func(a, b [2]float64) int { return cmp.Compare(a[1], b[1]) })
	if len(p) < 3 {
		c.Words, c.Do = fmt.Sprintf(
			"%d readings together with the sensor; three at different values are needed",
			len(p)), "read it again at standstill, idle and on load"
		return c
	}
	span := p[len(p)-1][1] - p[0][1]
	floor := map[model.Quantity]float64{
		model.Pressure: 0.5e5, model.Temperature: 10, model.Voltage: 1,
	}[q]
	if span < floor || span == 0 {
		c.Words, c.Do = "the sensor hardly changed between the readings", "read it again at "+
			"standstill, idle and on load"
		return c
	}
	c.Figures = map[string]float64{"readings": float64(len(p))}
	for _, x := range p {
		c.Corrections = append(c.Corrections,
			model.Correction{Quantity: q, Shows: x[0], Add: x[1] - x[0]})
	}
	slices.SortStableFunc(c.Corrections,
		func(a, b model.Correction) int { return cmp.Compare(a.Shows, b.Shows) })
	return judged(c, q, p, span)
}

func judged(c model.Check, q model.Quantity, p [][2]float64, span float64) model.Check {
	low, high, mean := math.Inf(1), math.Inf(-1), 0.0
	least, most := math.Inf(1), math.Inf(-1)
	for _, x := range p {
		d := x[0] - x[1]
		least, most, mean = min(least, d), max(most, d), mean+d/float64(len(p))
		low, high = min(low, x[0]), max(high, x[0])
	}
	switch {
	case high-low < 0.1*span:
		c.Outcome, c.Words, c.Do = model.Finding, fmt.Sprintf(
			"dead: it stays near %s while the sensor changes by %s", q.ShowWithUnit(low),
			difference(q, span)), "do not use it; check its supply, its sender and the wire"
	case max(math.Abs(least), math.Abs(most)) <= 0.08*span:
		c.Outcome, c.Words = model.Pass, "agrees with the sensor within 8 % of the range read"
	case most-least <= 0.1*span:
		c.Outcome, c.Words, c.Do = model.Finding, "offset by "+difference(q,
			mean), "adjust its pointer, or mark the correction next to it"
	default:
		c.Outcome, c.Words, c.Do = model.Finding, fmt.Sprintf("wrong curve: errors from %s to %s",
			difference(q, least),
			difference(q, most)), "the sender belongs to another gauge; use the correction table"
	}
	return c
}

func difference(q model.Quantity, v float64) string {
	if q == model.Temperature {
		return fmt.Sprintf("%+.1f K", v)
	}
	return q.ShowWithUnit(v)
}
