package page

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"tickover/cmd/tickover/chart"
	"tickover/model"
)

// trendReader reads what plots are drawn from.
type trendReader interface {
	// Readings hands to take, in order of time for each point, what a drawing
	// needs whose columns are that wide: samples, or the lowest and highest of
	// longer stretches, whose length it returns; 0 for samples.
	Readings(ctx context.Context, q model.Query, width time.Duration,
		take func(*model.Scan)) (time.Duration, error)
	// Steps finds the load steps within a stretch of time.
	Steps(ctx context.Context, q model.Query) ([]model.Instant, error)
}

// trendsView is the page of the plots.
type trendsView struct {
	view
	Spans    []spanChoice
	Every    int // seconds between redrawings
	Year     bool
	Charts   []chart.Drawing
	Sampling []string // how the readings were taken
	Nothing  string   // said when there is nothing to draw
	Drawn    string   // what the drawings leave out
}

type spanChoice struct {
	Key, Name string
	Here      bool
}

// trendSpan is one span of time the page can show.
type trendSpan struct {
	key, name string
	long      time.Duration // 0: as long as the run
	fresh     time.Duration // how long a drawing serves
}

const year = 365 * 24 * time.Hour

var trendSpans = []trendSpan{{"10m", "10 min", 10 * time.Minute, 5 * time.Second}, {"1h", "1 h", time.Hour, 15 * time.Second},
	{"8h", "8 h", 8 * time.Hour, time.Minute}, {"run", "Run", 0, time.Minute}, {"year", "Year", year, 10 * time.Minute}}

// drawn keeps drawings for as long as they are fresh, so that many pages cost
// as much as one.
type drawn struct {
	mu   sync.Mutex
	kept map[string]*drawnSpan
}

// drawnSpan is one drawing; one reader draws while others wait.
type drawnSpan struct {
	one    *turnstile
	made   time.Time
	charts []chart.Drawing
}

// mostDrawn is how many drawings are kept: the fixed spans and a few runs.
const mostDrawn = 12

func (d *drawn) of(key string) *drawnSpan {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.kept == nil || len(d.kept) > mostDrawn {
		d.kept = map[string]*drawnSpan{}
	}
	if d.kept[key] == nil {
		d.kept[key] = &drawnSpan{one: newTurnstile(1, mostWaiting, waitingShare)}
	}
	return d.kept[key]
}

func (srv *server) trends(w http.ResponseWriter, r *http.Request) {
	s, err := spanAsked(r)
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	v := trendsView{view: srv.frame("watch", "Trends", false), Every: int(s.fresh.Seconds()), Year: s.long == year, Nothing: "No readings in this period."}
	v.Wide, v.Refresh = true, fmt.Sprint(max(30, v.Every))
	v.under("/trends")
	for _, c := range trendSpans {
		v.Spans = append(v.Spans, spanChoice{c.key, c.name, c.key == s.key})
	}
	if err := srv.fillTrends(r, &v, s); err != nil {
		srv.fail(w, r, err)
		return
	}
	if r.URL.Query().Has("part") { // a page that redraws itself
		var b bytes.Buffer
		if err := trendsTemplate.ExecuteTemplate(&b, "charts", v); err != nil {
			srv.fail(w, r, err)
			return
		}
		sendHTML(w, r, b.Bytes())
		return
	}
	srv.show(w, r, trendsTemplate, v)
}

func spanAsked(r *http.Request) (trendSpan, error) {
	name := r.URL.Query().Get("span")
	i := slices.IndexFunc(trendSpans, func(s trendSpan) bool { return s.key == name })
	if i < 0 && name != "" {
		return trendSpan{}, &badQuestion{http.StatusBadRequest, "there is no such span", "span is 10m, 1h, 8h, run or year"}
	}
	return trendSpans[max(i, 0)], nil
}

// fillTrends draws the span, or takes the drawing that is still fresh.
func (srv *server) fillTrends(r *http.Request, v *trendsView, s trendSpan) error {
	snap := srv.Live.Latest()
	if snap == nil {
		return nil
	}
	now := srv.moment(snap)
	window, err := srv.window(r, s, now, snap.Clock)
	if err != nil || window.From.IsZero() {
		return err
	}
	key := s.key
	if s.long == 0 {
		key += window.From.String()
	}
	v.Charts, err = srv.freshDrawing(r.Context(), key, window, now, snap.Clock, s)
	v.Sampling = chart.Sampling(v.Charts)
	return err
}

// freshDrawing draws the window anew when the drawing of that key is too old.
func (srv *server) freshDrawing(ctx context.Context, key string, window model.Query, now model.Instant, clock model.Clock, s trendSpan) ([]chart.Drawing, error) {
	kept := srv.drawings.of(key)
	alone, err := kept.one.enter(ctx, sender(ctx), heavyPatience)
	if err != nil {
		return nil, busy(err)
	}
	defer alone.leave()
	if kept.charts != nil && time.Since(kept.made) <= s.fresh {
		return kept.charts, nil
	}
	turn, err := srv.turn(ctx)
	if err != nil {
		return nil, err
	}
	defer turn.leave()
	charts, err := srv.drawTrends(ctx, window, now, clock, s)
	if err == nil {
		kept.charts, kept.made = charts, time.Now()
	}
	return charts, err
}

// window is what a span asks for: back from now, or a run.
func (srv *server) window(r *http.Request, s trendSpan, now model.Instant, clock model.Clock) (model.Query, error) {
	if s.long == 0 {
		id := r.URL.Query().Get("run")
		if id == "" {
			id = "last"
		}
		run, err := srv.run(r, id)
		if id == "last" && err != nil {
			return model.Query{}, nil // no run yet is no mistake
		}
		return model.Query{From: run.Started, To: run.Ended}, err
	}
	from := now.Add(-s.long)
	if from.Offset < 0 {
		from.Offset = 0
		if wall, source := clock.Wall(now); source.Vouched() {
			earlier, ok := clock.Place(wall.Add(-s.long))
			if _, joined := (chart.Axis{Clock: clock, Start: earlier}).Since(now); ok && joined && earlier.Before(from) {
				from = earlier
			}
		}
	}
	return model.Query{From: from}, nil
}

func (srv *server) drawTrends(ctx context.Context, window model.Query, now model.Instant, clock model.Clock, s trendSpan) ([]chart.Drawing, error) {
	subjects := chart.Subjects(srv.Live.Setup().Rating)
	g, marks, err := srv.gather(ctx, window, now, clock, chart.Points(subjects), s)
	if err != nil {
		return nil, err
	}
	g.Prefix = fmt.Sprintf("b%d-%d-", window.From.Boot, window.From.Offset/time.Second)
	charts, err := g.Draw(subjects, marks)
	if charts == nil {
		charts = []chart.Drawing{}
	}
	return charts, err
}

// gather folds the readings of the window into columns and finds its marks.
func (srv *server) gather(ctx context.Context, window model.Query, now model.Instant, clock model.Clock, points []model.PointID, s trendSpan) (*chart.Gathered, []chart.Mark, error) {
	axis := chart.Axis{Clock: clock, Start: window.From}
	end := window.To
	if end.IsZero() {
		end = now
	}
	long, ok := axis.Since(end)
	if !ok { // no clock joins the boots: the first is drawn, and what came after it counted
		first, _ := clock.Boot(window.From.Boot)
		long = first.Last - window.From.Offset
	}
	g := chart.NewGathered(axis, chart.Phone, long, points)
	wanted := model.Query{From: window.From, To: window.To, Points: points}
	var err error
	if g.Folded, err = srv.Trends.Readings(ctx, wanted, long/time.Duration(chart.Phone.Columns), g.Take); err != nil {
		return nil, nil, err
	}
	marks, err := srv.marks(ctx, axis, window, s.long == year)
	return g, marks, err
}

// marks gives the load steps and the alarms raised; over a year the runs in
// place of the steps.
func (srv *server) marks(ctx context.Context, axis chart.Axis, window model.Query, long bool) ([]chart.Mark, error) {
	var marks []chart.Mark
	add := func(at model.Instant, label string, alarm bool) {
		if since, ok := axis.Since(at); ok && since >= 0 {
			marks = append(marks, chart.Mark{At: since.Seconds(), Label: label, Alarm: alarm})
		}
	}
	for e, err := range srv.Timeline.Events(ctx, window) {
		if err != nil {
			return nil, err
		}
		if e.Alarm != nil && e.Alarm.To == model.AlarmUnacknowledged && (!long || e.Alarm.Priority == model.Critical) {
			add(e.At, "", true)
		}
	}
	if long {
		runs, err := srv.Runs.Runs(ctx)
		for _, run := range runs {
			add(run.Started, run.ID, false)
		}
		return sorted(marks), err
	}
	steps, err := srv.Trends.Steps(ctx, window)
	for i, at := range steps {
		add(at, fmt.Sprint(i+1), false)
	}
	return sorted(marks), err
}

func sorted(marks []chart.Mark) []chart.Mark {
	slices.SortStableFunc(marks, func(a, b chart.Mark) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return strings.Compare(a.Label, b.Label)
	})
	return marks
}
