package report

import (
	"fmt"
	"html/template"

	"tickover/cmd/tickover/chart"
	"tickover/model"
)

// correction is the table that is held beside a gauge of the panel.
type correction struct {
	Title string
	Table table
}

// corrections sets out what to add to the readings of each gauge, by what it
// shows.
func corrections(gauges []model.Check) []correction {
	var all []correction
	for _, c := range gauges {
		if len(c.Corrections) == 0 {
			continue
		}
		one := correction{"Correction of the " + c.Title, table{Head: []string{"the gauge shows", "add"},
			Note: fmt.Sprintf("From %d readings compared with the sensor. It does not apply outside their range.", len(c.Corrections))}}
		for _, x := range c.Corrections {
			shows, add := x.Words()
			one.Table.Rows = append(one.Table.Rows, []string{shows, add})
		}
		all = append(all, one)
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
