package report

import (
	"fmt"
	"slices"
	"time"

	"tickover/cmd/tickover/chart"
	"tickover/model"
)

// transient is a moment drawn closely: a load step, or a critical alarm.
type transient struct {
	Title string
	Plots []chart.Drawing
}

// How much is drawn around what, and of how many, so that the report stays a
// report however long the run.
const (
	beforeStep, afterStep   = 5 * time.Second, 20 * time.Second
	beforeAlarm, afterAlarm = 5 * time.Minute, time.Minute
	mostSteps, mostAlarms   = 12, 4
)

// transients draws frequency and voltages around each load step, and all of
// the engine's readings around the first critical alarms. It says what it left
// out.
func transients(rec *model.RunRecord, d dating, series Series) (list []transient, left string, err error) {
	if series == nil {
		return nil, "", nil
	}
	all := chart.Subjects(rec.Rating)
	near := []chart.Subject{all[0], all[1]}
	for i := range near {
		near[i].Rated = 0 // what a small step did must fill the drawing
	}
	for _, i := range largest(rec.Steps, mostSteps) {
		s := rec.Steps[i]
		t := transient{Title: fmt.Sprintf("Step %d, %s: %s to %s", i+1, s.Phases, model.ActivePower.ShowWithUnit(s.From), model.ActivePower.ShowWithUnit(s.To))}
		mark := chart.Mark{Label: fmt.Sprint(i + 1)}
		if t.Plots, err = d.close(series, s.At, beforeStep, afterStep, near, mark, fmt.Sprintf("step%d-", i+1)); err != nil {
			return nil, "", err
		}
		if len(t.Plots) > 0 {
			list = append(list, t)
		}
	}
	alarms := 0
	for _, a := range rec.Alarms {
		if a.Priority != model.Critical || a.To != model.AlarmUnacknowledged {
			continue
		}
		if alarms++; alarms > mostAlarms {
			continue
		}
		t := transient{Title: fmt.Sprintf("Critical alarm at %s into the run: %s", d.into(a.At), a.Label)}
		if t.Plots, err = d.close(series, a.At, beforeAlarm, afterAlarm, all, chart.Mark{Alarm: true}, fmt.Sprintf("alarm%d-", alarms)); err != nil {
			return nil, "", err
		}
		list = append(list, t)
	}
	if n := len(rec.Steps); n > mostSteps {
		left = fmt.Sprintf("The %d largest of %d load steps are drawn. ", mostSteps, n)
	}
	if alarms > mostAlarms {
		left += fmt.Sprintf("The first %d of %d critical alarms are drawn.", mostAlarms, alarms)
	}
	return list, left, nil
}

// numbered is a load step with its number in the table of steps.
type numbered struct {
	Number int
	model.LoadStep
}

// detailed picks the steps whose figures are written out: all of a few, of many
// the largest, and of those outside a limit as many again.
func detailed(rec *model.RunRecord) []numbered {
	chosen := largest(rec.Steps, mostSteps)
	for i, s := range rec.Steps {
		outside := slices.ContainsFunc(s.Figures, func(f model.Figure) bool { return f.Verdict == model.Outside })
		if outside && len(chosen) < 2*mostSteps && !slices.Contains(chosen, i) {
			chosen = append(chosen, i)
		}
	}
	slices.Sort(chosen)
	var list []numbered
	for _, i := range chosen {
		list = append(list, numbered{i + 1, rec.Steps[i]})
	}
	return list
}

// largest gives the places of the largest steps, in order of time.
func largest(steps []model.LoadStep, most int) []int {
	places := make([]int, len(steps))
	for i := range steps {
		places[i] = i
	}
	size := func(i int) float64 { return max(steps[i].To-steps[i].From, steps[i].From-steps[i].To) }
	slices.SortStableFunc(places, func(a, b int) int {
		switch x, y := size(a), size(b); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	places = places[:min(most, len(places))]
	slices.Sort(places)
	return places
}

// close draws the subjects around a moment, at half width.
func (d dating) close(series Series, at model.Instant, before, after time.Duration, subjects []chart.Subject, mark chart.Mark, prefix string) ([]chart.Drawing, error) {
	from := at.Add(-before)
	from.Offset = max(from.Offset, 0)
	points := chart.Points(subjects)
	axis := chart.Axis{Clock: d.Clock, Start: from}
	g := chart.NewGathered(axis, chart.Half, before+after, points)
	g.Prefix = prefix
	if err := g.Gather(series, model.Query{From: from, To: at.Add(after), Points: points}); err != nil {
		return nil, err
	}
	since, _ := axis.Since(at)
	mark.At = since.Seconds()
	return g.Draw(subjects, []chart.Mark{mark})
}
