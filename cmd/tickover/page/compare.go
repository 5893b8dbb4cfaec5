package page

import (
	"context"
	"net/http"
	"slices"

	"tickover/cmd/tickover/chart"
	"tickover/model"
)

// Comparer is a Source that can hold one run against another.
type Comparer interface {
	// Compare ranks how the run "after" differed from the run "before".
	Compare(ctx context.Context, before, after string) (model.Comparison, error)
}

type wireComparison struct {
	Before      string           `json:"before"`
	After       string           `json:"after"`
	Differences []wireDifference `json:"differences"`
	Alike       int              `json:"alike"`
	Open        []string         `json:"not_compared"`
}

type wireDifference struct {
	What   string   `json:"what"`
	Words  string   `json:"words"`
	From   *float64 `json:"from"`
	To     *float64 `json:"to"`
	Unit   string   `json:"unit"`
	Weight float64  `json:"weight"`
}

// compare holds the run of the request against the other one it names.
func (f *face) compare(r *http.Request) (model.Comparison, error) {
	source, ok := f.src.(Comparer)
	if !ok {
		return model.Comparison{}, &badQuestion{http.StatusNotFound, "runs cannot be compared here", ""}
	}
	for _, id := range []string{r.PathValue("id"), r.PathValue("other")} {
		if _, err := f.run(r, id); err != nil {
			return model.Comparison{}, err
		}
	}
	turn, err := f.turn(r.Context())
	if err != nil {
		return model.Comparison{}, err
	}
	defer turn.leave()
	return source.Compare(r.Context(), r.PathValue("id"), r.PathValue("other"))
}

// comparePage shows two runs beside each other: what differed, in words, and
// the plots of both.
func (f *face) comparePage(w http.ResponseWriter, r *http.Request) {
	found, err := f.compare(r)
	if err != nil {
		f.fail(w, r, err)
		return
	}
	v := struct {
		view
		Found model.Comparison
		Pairs []plotPair
	}{view: f.frame("watch", "Run "+found.Before+" against run "+found.After, true), Found: found}
	v.Wide = true
	v.under("/runs")
	if v.Pairs, err = f.pairs(r, found.Before, found.After); err != nil {
		f.fail(w, r, err)
		return
	}
	f.show(w, r, compareTemplate, v)
}

// plotPair is the same plot of two runs.
type plotPair struct {
	Title string
	Plots []runPlot
}

type runPlot struct {
	Run string
	chart.Drawing
}

func (f *face) pairs(r *http.Request, ids ...string) ([]plotPair, error) {
	var pairs []plotPair
	for _, id := range ids {
		run, err := f.run(r, id)
		if err != nil {
			return nil, err
		}
		charts, err := f.runCharts(r, run)
		if err != nil {
			return nil, err
		}
		for _, c := range charts {
			i := slices.IndexFunc(pairs, func(p plotPair) bool { return p.Title == c.Title })
			if i < 0 {
				i, pairs = len(pairs), append(pairs, plotPair{Title: c.Title})
			}
			pairs[i].Plots = append(pairs[i].Plots, runPlot{id, c})
		}
	}
	return pairs, nil
}

// runCharts draws a run, or takes the drawing that is still fresh.
func (f *face) runCharts(r *http.Request, run model.Run) ([]chart.Drawing, error) {
	snap := f.src.Latest()
	if snap == nil {
		return nil, nil
	}
	s := trendSpans[slices.IndexFunc(trendSpans, func(s trendSpan) bool { return s.key == "run" })]
	return f.freshDrawing(r.Context(), "run"+run.Started.String(), model.Query{From: run.Started, To: run.Ended}, f.moment(snap), snap.Clock, s)
}

func (f *face) apiCompare(w http.ResponseWriter, r *http.Request) {
	found, err := f.compare(r)
	if err != nil {
		f.fail(w, r, err)
		return
	}
	out := wireComparison{found.Before, found.After, []wireDifference{}, found.Alike, append([]string{}, found.Open...)}
	for _, d := range found.Differences {
		out.Differences = append(out.Differences, wireDifference{d.What, d.Words, number(d.From), number(d.To), d.Unit, d.Weight})
	}
	send(w, out)
}
