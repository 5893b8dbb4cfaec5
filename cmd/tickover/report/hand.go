package report

import (
	"fmt"
	"strconv"
	"strings"

	"tickover/model"
)

// handRow is one measurement by hand, before and after side by side.
type handRow struct {
	What, Where, Before, After, Change string
	By                                 string
	Figures                            []model.Figure
}

// handRows sets the measurements by hand out as a table.
func (d dating) handRows(rec *model.RunRecord) []handRow {
	var rows []handRow
	for _, r := range rec.HandRows {
		row := handRow{What: r.Kind, Where: r.Points, Before: d.handValue(r.Quantity, r.Before), After: d.handValue(r.Quantity, r.After), Change: "–", Figures: r.Figures}
		if r.Before != nil && r.After != nil {
			row.Change = r.Quantity.ShowDifference(r.After.Value - r.Before.Value)
		}
		for _, v := range []*model.HandValue{r.Before, r.After} {
			if v != nil {
				row.By = strings.Trim(v.Instrument+"; "+v.Who, "; ")
			}
		}
		rows = append(rows, row)
	}
	return rows
}

func (d dating) handValue(q model.Quantity, v *model.HandValue) string {
	if v == nil {
		return "not measured"
	}
	text := q.ShowWithUnit(v.Value) + ", "
	switch at := d.when(v.At); {
	case !v.Taken.IsZero():
		text += v.Taken.UTC().Format("2006-01-02 15:04")
	case at != "–":
		text += at
	default:
		text += v.At.String()
	}
	if v.Corrected {
		text += " (corrected later)"
	}
	if v.Note != "" {
		text += " (" + v.Note + ")"
	}
	return text
}

// outcomeSign gives the outcome of a check a shape.
func outcomeSign(o model.Outcome) string {
	return map[model.Outcome]string{model.Pass: "✓", model.Finding: "✗", model.CannotTell: "?"}[o]
}

// places names steps by their number, counted from one.
func places(steps []int) string {
	var words []string
	for _, i := range steps {
		words = append(words, strconv.Itoa(i+1))
	}
	return strings.Join(words, ", ")
}

// influenceTable shows what one-phase loads do to the voltages, in volts per
// kilowatt.
func influenceTable(in *model.Influence) table {
	if in == nil {
		return table{}
	}
	t := table{Head: []string{"voltage of", "per kW on L1", "per kW on L2", "per kW on L3"}, Note: in.Senses}
	for measured, row := range in.VoltsPerWatt {
		cells := []string{fmt.Sprintf("L%d, V", measured+1)}
		for _, v := range row {
			cells = append(cells, number(1000*v))
		}
		t.Rows = append(t.Rows, cells)
	}
	return t
}
