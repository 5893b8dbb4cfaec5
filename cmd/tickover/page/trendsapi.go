package page

import (
	"net/http"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/chart"
	"tickover/model"
)

// trendAsked is what a plot in numbers is asked for.
type trendAsked struct {
	span   trendSpan
	window model.Query
	points []model.PointID
}

func (srv *server) trendAsked(r *http.Request, snap *model.Snapshot) (a trendAsked, err error) {
	if a.span, err = spanAsked(r); err != nil {
		return a, err
	}
	if a.points, err = srv.points(r); err != nil {
		return a, err
	}
	if len(a.points) == 0 {
		a.points = chart.Points(chart.Subjects(srv.Live.Setup().Rating))
	}
	a.window, err = srv.window(r, a.span, srv.moment(snap), snap.Clock)
	return a, err
}

// apiTrends answers with what the plots are drawn from: the lowest and the
// highest reading of every column.
func (srv *server) apiTrends(w http.ResponseWriter, r *http.Request) {
	snap := srv.latest(w)
	if snap == nil {
		return
	}
	a, err := srv.trendAsked(r, snap)
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	out := api.Trends{Start: wall(snap.Clock, a.window.From), Points: map[model.PointID]api.Trend{}, Marks: []api.TrendMark{}}
	if a.window.From.IsZero() { // no run yet
		send(w, out)
		return
	}
	out.Instant = a.window.From.String()
	turn := srv.enter(w, r)
	if turn == nil {
		return
	}
	g, marks, err := srv.gather(r.Context(), a.window, srv.moment(snap), snap.Clock, a.points, a.span)
	turn.leave()
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	beginPatience(w)
	readout := srv.readout(snap, snap.At)
	for _, p := range a.points {
		if columns, width := g.Columns(p); len(columns) > 0 {
			out.Points[p] = trendOf(readout.quantity(p), columns, width)
		}
	}
	for _, m := range marks {
		out.Marks = append(out.Marks, api.TrendMark(m))
	}
	out.Folded = g.Folded.Seconds()
	send(w, out)
}

func trendOf(q model.Quantity, columns []chart.Column, width float64) api.Trend {
	t := api.Trend{Quantity: q.String(), Unit: q.Unit(), Width: width}
	for _, c := range columns {
		t.Columns = append(t.Columns, api.TrendColumn(c))
	}
	return t
}
