package winding

import (
	"fmt"
	"math"
	"slices"

	"tickover/model"
)

// The plateau of a dry-out: three readings, each at least half an hour after
// the one before, that differ by less than 10 %, the last of them above the
// minimum (derived from the practice of reading every few hours until
// constant).
const (
	plateauReadings = 3
	plateauGap      = 0.5 // h
	plateauBand     = 0.10
)

// EngineCost is what the dry-out cost the engine, from the record.
type EngineCost struct {
	Idle, ColdIdle float64 // s of idling, and of it with coolant below 60 °C
	OverExcited    float64 // s above 110 % of rated volts per hertz
	Water          float64 // kg carried off by the air, NaN when not measured
	// s for which the air went out as dry as it came in, to within 0.5 g/m³; NaN when not measured
	DrySince float64
}

// DryOut follows the insulation readings of one place; the place with most
// readings is taken. It is nil with fewer than two. clock dates readings of
// different boots against each other.
func DryOut(events []model.Event, clock model.Clock, cost EngineCost) *model.DryOut {
	all, corrected := gather(events)
	var best placeReadings
	for _, s := range all {
		s.events = slices.DeleteFunc(slices.Clone(s.events),
			func(e model.Event) bool { return corrected[e.Seq] && e.Seq != 0 })
		if s.kind == model.InsulationKind && len(s.events) > len(best.events) {
			best = s
		}
	}
	rows := readings(best.events, clock)
	if len(rows) < 2 {
		return nil
	}
	d := &model.DryOut{Points: best.points, Rows: rows}
	d.Plateau = plateau(rows)
	d.Words = progress(rows, d.Plateau)
	d.Figures = append([]model.Figure{slope(rows)}, cost.figures()...)
	return d
}

func readings(events []model.Event, clock model.Clock) []model.DryOutRow {
	var rows []model.DryOutRow
	for _, e := range events {
		t, ok := e.Hand.Conditions[model.WindingTemperature]
		if !ok {
			continue
		}
		row := model.DryOutRow{At: e.At, Taken: e.Hand.Taken, Resistance: e.Hand.Value,
			Temperature: t, Corrected: e.Hand.Value * halvingFactor(t)}
		if row.Taken.IsZero() {
			row.Taken, _ = clock.Wall(e.At)
		}
		rows = append(rows, row)
	}
	slices.SortStableFunc(rows, func(a, b model.DryOutRow) int {
		if a.Taken.IsZero() || b.Taken.IsZero() {
			return a.At.Compare(b.At)
		}
		return a.Taken.Compare(b.Taken)
	})
	for i := range rows {
		rows[i].Hours = hours(rows[0], rows[i])
	}
	return rows
}

func hours(a, b model.DryOutRow) float64 {
	if !a.Taken.IsZero() && !b.Taken.IsZero() {
		return b.Taken.Sub(a.Taken).Hours()
	}
	if d, ok := b.At.Sub(a.At); ok {
		return d.Hours()
	}
	return math.NaN()
}

func plateau(rows []model.DryOutRow) bool {
	last := rows[len(rows)-1]
	if last.Corrected < minimumRandomWound {
		return false
	}
	low, high, count, at := last.Corrected, last.Corrected, 1, last.Hours
	for i := len(rows) - 2; i >= 0 && count < plateauReadings; i-- {
		if !(at-rows[i].Hours >= plateauGap) { // also when the time is not known
			continue
		}
		low, high = min(low, rows[i].Corrected), max(high, rows[i].Corrected)
		count, at = count+1, rows[i].Hours
	}
	return count == plateauReadings && high-low < plateauBand*high
}

func progress(rows []model.DryOutRow, flat bool) string {
	last, before := rows[len(rows)-1], rows[len(rows)-2]
	at := model.Resistance.ShowWithUnit(last.Corrected)
	switch {
	case flat:
		return "constant at " + at + " at 40 °C, above the minimum: dry by this rule"
	case last.Corrected < before.Corrected && last.Temperature > before.Temperature+3:
		return at + " at 40 °C, falling while the winding warms up: normal at first, continue"
	case last.Corrected < minimumRandomWound:
		return at + " at 40 °C, below the minimum of 5 MΩ: continue drying"
	}
	return at + " at 40 °C, not constant yet: three readings at least half an hour apart must " +
		"agree within 10 %"
}

// slope is the least-squares slope of log10(R40) over the last three readings,
// in decades an hour.
func slope(rows []model.DryOutRow) model.Figure {
	use := rows[max(0, len(rows)-3):]
	var n, sx, sy, sxx, sxy float64
	for _, r := range use {
		x, y := r.Hours, math.Log10(r.Corrected)
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	v := (n*sxy - sx*sy) / (n*sxx - sx*sx)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return model.NotKnown("slope", "", "decades/h",
			"the times between the readings are not known")
	}
	return model.Figure{Name: "slope of the last readings", Value: v, Unit: "decades/h",
		Known: true, Verdict: model.NoLimit,
		Note: fmt.Sprintf("of log10 of the resistance at 40 °C, over %d readings", len(use))}
}

func (c EngineCost) figures() []model.Figure {
	idle := model.Figure{Name: "idling, all", Value: c.Idle / 60, Unit: "min", Known: true,
		Verdict: model.NoLimit}
	cold := limited("idling with coolant below 60 °C", c.ColdIdle/60, "min", c.ColdIdle <= 20*60,
		"≤ 20 min", "common practice",
		"long cold idling dilutes the oil with fuel and cokes the valves")
	over := limited("above 110 % volts per hertz", c.OverExcited, "s", c.OverExcited <= 30,
		"≤ 30 s", "derived",
		"overexcited at low speed: switch the excitation off or raise the speed")
	water := model.NotKnown("water removed", "", "g",
		"humidity of the air in and out, and air flow, are not measured")
	if !math.IsNaN(c.Water) {
		water = model.Figure{Name: "water removed", Value: 1000 * c.Water, Unit: "g", Known: true,
			Verdict: model.NoLimit}
	}
	all := []model.Figure{idle, cold, over, water}
	if !math.IsNaN(c.DrySince) {
		all = append(
			all,
			limited("outlet air as dry as inlet air", c.DrySince/60, "min", c.DrySince >= 1800,
				"≥ 30 min within 0.5 g/m³", "derived", "moisture still leaves the windings"),
		)
	}
	return all
}

// The points of a humidity balance; the configuration gives them under these
// names.
const (
	humidityIn  model.PointID = "air.in.humidity"  // absolute humidity
	humidityOut model.PointID = "air.out.humidity" // absolute humidity
	airFlow     model.PointID = "air.flow"         // volume flow
)

// CostCounter sums a record up to an EngineCost. The zero value is ready for use.
type CostCounter struct {
	last    model.Instant
	cost    EngineCost
	cool    float64
	coolOK  bool
	humid   bool
	dry     float64
	started bool
}

// Step takes the next scan.
func (m *CostCounter) Step(scan *model.Scan) {
	if c, ok := scan.Find(model.CoolantTemperature); ok {
		m.cool, m.coolOK = c.Value, c.Quality == model.Good
	}
	state, ok := scan.Find(model.EngineStatePoint)
	if !ok {
		return
	}
	d, same := scan.At.Sub(m.last)
	m.last = scan.At
	dt := d.Seconds()
	if !m.started || !same || dt < 0 || dt > 60 {
		m.started = true
		return
	}
	if state.Quality == model.Good && model.EngineState(state.Value) == model.Idling {
		m.cost.Idle += dt
		if m.coolOK && m.cool < 60 {
			m.cost.ColdIdle += dt
		}
	}
	if v, ok := scan.Find(model.VoltsPerHertzRatio); ok && v.Quality == model.Good &&
		v.Value > 1.1 {
		m.cost.OverExcited += dt
	}
	m.air(scan, dt)
}

func (m *CostCounter) air(scan *model.Scan, dt float64) {
	in, a := scan.Find(humidityIn)
	out, b := scan.Find(humidityOut)
	flow, c := scan.Find(airFlow)
	if !a || !b || in.Quality != model.Good || out.Quality != model.Good {
		return
	}
	m.humid = true
	if c && flow.Quality == model.Good {
		m.cost.Water += (out.Value - in.Value) * flow.Value * dt
	}
	if m.dry += dt; out.Value-in.Value >= 0.5e-3 {
		m.dry = 0
	}
}

// Cost returns the sums so far.
func (m *CostCounter) Cost() EngineCost {
	c := m.cost
	c.DrySince = m.dry
	if !m.humid {
		c.Water, c.DrySince = math.NaN(), math.NaN()
	}
	return c
}
