package report

import (
	"cmp"
	"fmt"
	"slices"

	"tickover/cmd/tickover/chart"
	"tickover/model"
)

// drawings makes the charts of a record.
func drawings(rec *model.RunRecord, d dating, series Series) ([]chart.Drawing, error) {
	if series == nil {
		return nil, nil
	}
	subjects := chart.Subjects(rec.Rating)
	points := chart.Points(subjects)
	span, _ := d.Since(rec.Run.Ended)
	g := chart.NewGathered(d.Axis, chart.Paper, span, points)
	if err := g.Gather(series, model.Query{From: rec.Run.Started, To: rec.Run.Ended, Points: points}); err != nil {
		return nil, err
	}
	return g.Draw(subjects, marksOf(rec, d))
}

// marksOf gives the load steps by number and the alarms raised.
func marksOf(rec *model.RunRecord, d dating) []chart.Mark {
	var marks []chart.Mark
	for i, s := range rec.Steps {
		if at, ok := d.Since(s.At); ok {
			marks = append(marks, chart.Mark{At: at.Seconds(), Label: fmt.Sprint(i + 1)})
		}
	}
	for _, a := range rec.Alarms {
		at, ok := d.Since(a.At)
		if ok && a.To == model.AlarmUnacknowledged {
			marks = append(marks, chart.Mark{At: at.Seconds(), Alarm: true})
		}
	}
	slices.SortStableFunc(marks, func(a, b chart.Mark) int { return cmp.Compare(a.At, b.At) })
	return marks
}
