package page

import (
	"net/http"
	"slices"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/chart"
	"tickover/model"
)

// compare holds the run of the request against the other one it names.
func (srv *server) compare(r *http.Request) (model.Comparison, error) {
	for _, id := range []string{r.PathValue("id"), r.PathValue("other")} {
		if _, err := srv.run(r, id); err != nil {
			return model.Comparison{}, err
		}
	}
	turn, err := srv.turn(r.Context())
	if err != nil {
		return model.Comparison{}, err
	}
	defer turn.leave()
	return srv.Runs.Compare(r.Context(), r.PathValue("id"), r.PathValue("other"))
}

// comparePage shows two runs beside each other: what differed, in words, and
// the plots of both.
func (srv *server) comparePage(w http.ResponseWriter, r *http.Request) {
	found, err := srv.compare(r)
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	v := struct {
		view
		Found model.Comparison
		Pairs []plotPair
	}{view: srv.frame("watch", "Run "+found.Before+" against run "+found.After, true), Found: found}
	v.Wide = true
	v.under("/runs")
	if v.Pairs, err = srv.pairs(r, found.Before, found.After); err != nil {
		srv.fail(w, r, err)
		return
	}
	srv.show(w, r, compareTemplate, v)
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

func (srv *server) pairs(r *http.Request, ids ...string) ([]plotPair, error) {
	var pairs []plotPair
	for _, id := range ids {
		run, err := srv.run(r, id)
		if err != nil {
			return nil, err
		}
		charts, err := srv.runCharts(r, run)
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
func (srv *server) runCharts(r *http.Request, run model.Run) ([]chart.Drawing, error) {
	snap := srv.Live.Latest()
	if snap == nil {
		return nil, nil
	}
	s := trendSpans[slices.IndexFunc(trendSpans, func(s trendSpan) bool { return s.key == "run" })]
	return srv.freshDrawing(r.Context(), "run"+run.Started.String(), model.Query{From: run.Started, To: run.Ended}, srv.moment(snap), snap.Clock, s)
}

func (srv *server) apiCompare(w http.ResponseWriter, r *http.Request) {
	found, err := srv.compare(r)
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	out := api.Comparison{Before: found.Before, After: found.After, Differences: []api.Difference{}, Alike: found.Alike, Open: append([]string{}, found.Open...)}
	for _, d := range found.Differences {
		out.Differences = append(out.Differences, api.Difference{What: d.What, Words: d.Words, From: number(d.From), To: number(d.To), Unit: d.Unit, Weight: d.Weight})
	}
	send(w, out)
}
