package report

import (
	"fmt"

	"tickover/model"
)

// table is a plain table of the report.
type table struct {
	Head []string
	Rows [][]string
	Note string
}

// heading is a column of a table that shows one point.
type heading struct {
	point model.PointID
	name  string
}

var unbalanceColumns = []heading{
	{model.VoltageUnbalance, "U unbalance"}, {model.NegativeVoltage, "U negative"}, {model.ZeroSequenceVoltage, "U zero"},
	{model.CurrentUnbalance, "I unbalance"}, {model.NegativeCurrent, "I negative"},
	{model.CurrentN, "neutral"}, {model.NeutralEstimate, "neutral, estimated"},
	{model.NeutralToEarth, "U neutral to earth"}, {model.ResidualCurrent, "I residual"},
}

var steadyColumns = []heading{
	{model.FrequencyPoint, "f"}, {model.VoltageL1N, "U L1"}, {model.VoltageL2N, "U L2"}, {model.VoltageL3N, "U L3"},
	{model.CurrentL1, "I L1"}, {model.CurrentL2, "I L2"}, {model.CurrentL3, "I L3"},
	{model.OilPressure, "oil"}, {model.CoolantTemperature, "coolant"},
}

var soakColumns = []heading{
	{model.PowerActive, "P"}, {model.FrequencyPoint, "f"}, {model.VoltageL1N, "U L1"}, {model.VoltageL2N, "U L2"}, {model.VoltageL3N, "U L3"},
	{model.CurrentL1, "I L1"}, {model.CurrentL2, "I L2"}, {model.CurrentL3, "I L3"}, {model.OilPressure, "oil"},
	{model.CoolantTemperature, "coolant"}, {model.AmbientTemperature, "ambient"}, {model.BatteryVoltage, "battery"},
	{model.WindingL1, "winding L1"}, {model.WindingL2, "winding L2"}, {model.WindingL3, "winding L3"}, {model.BearingTemperature, "bearing"},
}

// present keeps the columns that any row has, with the unit in their heading.
func present(rec *model.RunRecord, all []heading, has func(model.PointID) bool) (kept []heading, head []string) {
	for _, h := range all {
		if !has(h.point) {
			continue
		}
		kept = append(kept, h)
		if unit := quantityOf(rec, h.point).ShownUnit(); unit != "" {
			h.name += ", " + unit
		}
		head = append(head, h.name)
	}
	return kept, head
}

func (d dating) spans(rec *model.RunRecord, columns []heading, cell func(model.Quantity, model.Spread) string) table {
	kept, head := present(rec, columns, func(p model.PointID) bool {
		for _, s := range rec.Steady {
			if _, ok := s.Points[p]; ok {
				return true
			}
		}
		return false
	})
	if len(kept) == 0 {
		return table{}
	}
	t := table{Head: append([]string{"into the run", "lasted", "load, kW"}, head...)}
	for _, s := range rec.Steady {
		row := []string{d.into(s.From), d.length(s.From, s.To), model.ActivePower.Show(s.Load)}
		for _, h := range kept {
			text := "–"
			if v, ok := s.Points[h.point]; ok && v.Count > 0 {
				text = cell(quantityOf(rec, h.point), v)
			}
			row = append(row, text)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// unbalance tables the asymmetry in each steady span: mean and highest.
func (d dating) unbalance(rec *model.RunRecord) table {
	t := d.spans(rec, unbalanceColumns, func(q model.Quantity, v model.Spread) string {
		return q.Show(v.Mean) + " (" + q.Show(v.Max) + ")"
	})
	t.Note = "Mean, and in brackets the highest reading, of each steady stretch. Negative and zero sequence are calculated from magnitudes."
	return t
}

// steadyTable tables the mean readings in each steady span.
func (d dating) steadyTable(rec *model.RunRecord) table {
	return d.spans(rec, steadyColumns, func(q model.Quantity, v model.Spread) string { return q.Show(v.Mean) })
}

// soak tables the log-sheet.
func (d dating) soak(rec *model.RunRecord) table {
	kept, head := present(rec, soakColumns, func(p model.PointID) bool {
		for _, r := range rec.Soak {
			if _, ok := r.Values[p]; ok {
				return true
			}
		}
		return false
	})
	if len(kept) == 0 {
		return table{}
	}
	t := table{Head: append([]string{"from", "into the run", "for"}, head...)}
	for _, r := range rec.Soak {
		row := []string{d.when(r.At), d.into(r.At), clockwise(r.Over)}
		for _, h := range kept {
			text := "–"
			if v, ok := r.Values[h.point]; ok {
				text = quantityOf(rec, h.point).Show(v)
			}
			row = append(row, text)
		}
		t.Rows = append(t.Rows, row)
	}
	t.Note = "Each row is the mean over the span that begins at its time. Further points are in the JSON and CSV reports."
	return t
}

// stepTable gives the load steps in short: what changed and what it did.
func stepTable(rec *model.RunRecord, d dating) table {
	if len(rec.Steps) == 0 {
		return table{}
	}
	t := table{Head: []string{"step", "time", "into the run", "phases", "load, kW", "f, Hz", "U L1, V", "U L2, V", "U L3, V"}}
	for i, s := range rec.Steps {
		row := []string{fmt.Sprint(i + 1), d.when(s.At), d.into(s.At), s.Phases,
			model.ActivePower.Show(s.From) + " → " + model.ActivePower.Show(s.To)}
		for _, p := range append([]model.PointID{model.FrequencyPoint}, model.PhaseVoltages[:]...) {
			row = append(row, change(quantityOf(rec, p), s, p))
		}
		t.Rows = append(t.Rows, row)
	}
	t.Note = "Before → after, means of the steady stretches around the step."
	return t
}

func change(q model.Quantity, s model.LoadStep, p model.PointID) string {
	text := func(m map[model.PointID]float64) string {
		if v, ok := m[p]; ok {
			return q.Show(v)
		}
		return "–"
	}
	return text(s.Before) + " → " + text(s.After)
}
