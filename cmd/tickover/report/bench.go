package report

import (
	"fmt"

	"tickover/model"
)

func comparedOf(r model.HandRow) compared {
	value := func(v *model.HandValue) *float64 {
		if v == nil {
			return nil
		}
		return known(v.Value)
	}
	return compared{r.Kind, r.Points, r.Quantity.Unit(), value(r.Before), value(r.After), each(r.Figures, figureOf)}
}

func dryOutOf(d *model.DryOut) *dryOut {
	if d == nil {
		return nil
	}
	return &dryOut{d.Points, d.Plateau, d.Words, each(d.Rows, func(r model.DryOutRow) dryRow {
		return dryRow{known(r.Hours), known(r.Resistance), known(r.Temperature), known(r.Corrected)}
	}), each(d.Figures, figureOf)}
}

func checkedOf(c model.Check) checked {
	return checked{c.Code, c.Title, c.Outcome.String(), c.Words, c.Do, each(c.Corrections, func(x model.Correction) corrected {
		return corrected{x.Shows, x.Add, x.Quantity.Unit()}
	})}
}

// bench writes the measurements by hand, the drying, the panel's gauges, the
// wiring and the machine card.
func (t terminal) bench(rec *model.RunRecord) {
	for _, r := range t.d.handRows(rec) {
		t.figures(fmt.Sprintf("By hand: %s %s, before %s, after %s", r.What, r.Where, r.Before, r.After), r.Figures)
		if len(r.Figures) == 0 {
			t.line("")
			t.wrap("", fmt.Sprintf("By hand: %s %s, before %s, after %s", r.What, r.Where, r.Before, r.After))
		}
	}
	if d := rec.DryOut; d != nil {
		t.figures("Drying, "+d.Points+": "+d.Words, d.Figures)
	}
	t.checks("Gauges of the panel", rec.Gauges)
	for _, c := range corrections(rec.Gauges) {
		t.table(c.Title, c.Table)
	}
	t.checks("Wiring of the instruments", rec.Wiring)
	var card []string
	for _, f := range rec.Machine {
		card = append(card, f.Name+": "+f.Text)
	}
	t.bullets("Machine card", card)
}

// checks writes findings and passes in full, and only names what cannot be
// told yet.
func (t terminal) checks(title string, checks []model.Check) {
	if len(checks) == 0 {
		return
	}
	t.line("")
	t.line("%s", title)
	var open string
	for _, c := range checks {
		if c.Outcome == model.CannotTell {
			open += ", " + c.Code
			continue
		}
		text := c.Code + " " + c.Title + ": " + c.Words
		if c.Do != "" {
			text += ". To do: " + c.Do
		}
		t.wrap("  "+outcomeSign(c.Outcome)+" ", text)
	}
	if open != "" {
		t.wrap("  ? ", "cannot tell yet: "+open[2:])
	}
}
