package report

import (
	"cmp"
	"fmt"
	"html/template"
	"maps"
	"slices"
	"strings"

	"tickover/cmd/tickover/chart"
	"tickover/model"
)

// correction is the table that is held beside a gauge of the panel.
type correction struct {
	Title string
	Table table
}

// correctionAt begins the name of a figure that says what to add to a reading.
const correctionAt = "correction at "

// corrections sets out what to add to the readings of each gauge, in the order
// of what must be added.
func corrections(gauges []model.Check) []correction {
	var all []correction
	for _, c := range gauges {
		id, _ := strings.CutPrefix(c.Code, "G.")
		q, ok := model.KnownQuantity(model.PointID(id))
		names := slices.SortedFunc(maps.Keys(c.Figures), func(a, b string) int {
			return cmp.Or(cmp.Compare(c.Figures[a], c.Figures[b]), cmp.Compare(a, b))
		})
		one := correction{"Correction of the " + c.Title, table{Head: []string{"the gauge shows", "add"},
			Note: fmt.Sprintf("From %.0f readings beside the sensor. Nothing is known outside of them.", c.Figures["readings"])}}
		for _, name := range names {
			if shown, found := strings.CutPrefix(name, correctionAt); found && ok {
				one.Table.Rows = append(one.Table.Rows, []string{shown, difference(q, c.Figures[name])})
			}
		}
		if len(one.Table.Rows) > 0 {
			all = append(all, one)
		}
	}
	return all
}

// dryCurve draws the corrected insulation resistance of a dry-out; nothing of
// less than two readings.
func dryCurve(d *model.DryOut) (template.HTML, error) {
	if d == nil {
		return "", nil
	}
	var hours, ohms []float64
	for _, r := range d.Rows {
		if r.Corrected > 0 {
			hours, ohms = append(hours, r.Hours), append(ohms, r.Corrected)
		}
	}
	if len(hours) < 2 {
		return "", nil
	}
	svg, err := chart.Drying("Insulation resistance while drying, "+d.Points, hours, ohms)
	return template.HTML(svg), err
}
