package page

import (
	"context"
	"io"
	"iter"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"tickover/model"
)

// runReader reads the runs on record.
type runReader interface {
	// Runs lists the runs on record, in order.
	Runs(context.Context) ([]model.Run, error)
	// Report writes a run's report; format is "html", "json" or "text", run an
	// ID or "last".
	Report(ctx context.Context, w io.Writer, run, format string) error
	// Compare ranks how the run "after" differed from the run "before".
	Compare(ctx context.Context, before, after string) (model.Comparison, error)
}

// eventReader reads the timeline.
type eventReader interface {
	// Events yields the events asked for, in order of the store.
	Events(context.Context, model.Query) iter.Seq2[model.Event, error]
	// Photo returns the picture of a note.
	Photo(ctx context.Context, number uint64) ([]byte, error)
}

// runLine is one run of the list.
type runLine struct {
	ID, Started, Running, Loaded, Cranks, Starts, End string
}

func (srv *server) runLine(run model.Run, clock model.Clock) runLine {
	line := runLine{ID: run.ID, Started: clock.Date(run.Started), Running: span(run.Running), Loaded: span(run.Loaded),
		Cranks: counted(run.Cranks, "crank"), Starts: counted(run.Starts, "start"), End: "ended"}
	switch {
	case run.Open:
		line.End = "going on"
	case run.CutShort != "":
		line.End = "ended: " + run.CutShort
	}
	return line
}

// counted writes how many there were of a thing.
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return strconv.Itoa(n) + " " + thing + "s"
}

func (srv *server) runs(w http.ResponseWriter, r *http.Request) {
	runs, err := srv.Runs.Runs(r.Context())
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	v := struct {
		view
		Runs []runLine
	}{view: srv.frame("runs", "Runs", true)}
	v.View = "watch"
	clock := srv.clock()
	for _, run := range slices.Backward(runs) {
		v.Runs = append(v.Runs, srv.runLine(run, clock))
	}
	srv.show(w, r, runsTemplate, v)
}

// happening is one event of a timeline.
type happening struct {
	At, Kind, Text, Who, Shape string
	Photo, Box                 uint64 // Box is the number of the readings kept for it; 0 means none
}

// timelineView is the page of one run, or of everything.
type timelineView struct {
	view
	Run    *runLine
	Others []string
	Events []happening
	Older  string // address of what came before; empty at the beginning
}

// mostHappenings is how many events one page of a timeline shows.
const mostHappenings = 200

var kindShapes = map[model.EventKind]string{model.NoteEvent: "✎", model.RemarkEvent: "✎", model.EngineEvent: "●", model.AlarmTransition: "▲",
	model.DeviceEvent: "⌁", model.ClockEvent: "◷", model.StoreEvent: "▤", model.DaemonEvent: "○", model.MeasurementEvent: "∡", model.FactEvent: "∎", model.WiringEvent: "⌗"}

// timeline shows what happened, the newest first.
func (srv *server) timeline(w http.ResponseWriter, r *http.Request) {
	v := timelineView{view: srv.frame("watch", "Timeline", true)}
	if err := srv.happenings(r, &v, model.Query{}, false); err != nil {
		srv.fail(w, r, err)
		return
	}
	if len(v.Events) > 0 && v.Older != "" {
		v.Older = "/timeline?" + url.Values{"before": {v.Older}}.Encode()
	}
	srv.show(w, r, timelineTemplate, v)
}

// runPage shows one run in the order things happened.
func (srv *server) runPage(w http.ResponseWriter, r *http.Request) {
	run, err := srv.run(r, r.PathValue("id"))
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	v := timelineView{view: srv.frame("watch", "Run "+run.ID, true)}
	v.under("/runs")
	line := srv.runLine(run, srv.clock())
	v.Run = &line
	runs, err := srv.Runs.Runs(r.Context())
	for _, other := range slices.Backward(runs) {
		if other.ID != run.ID && len(v.Others) < 8 {
			v.Others = append(v.Others, other.ID)
		}
	}
	if err == nil {
		err = srv.happenings(r, &v, model.Query{From: run.Started, To: run.Ended}, true)
	}
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	if v.Older != "" {
		v.Older = "/runs/" + url.PathEscape(run.ID) + "?" + url.Values{"before": {v.Older}}.Encode()
	}
	srv.show(w, r, timelineTemplate, v)
}

// happenings gathers the newest events, of those before the one named in the
// request.
func (srv *server) happenings(r *http.Request, v *timelineView, q model.Query, forward bool) error {
	before := ^uint64(0)
	if text := r.URL.Query().Get("before"); text != "" {
		var err error
		if before, err = strconv.ParseUint(text, 10, 64); err != nil {
			return &badQuestion{http.StatusBadRequest, "before is no number", "it is the seq of an event"}
		}
	}
	var newest []model.Event
	for e, err := range srv.Timeline.Events(r.Context(), q) {
		if err != nil {
			return err
		}
		if e.Seq >= before || e.Alarm != nil && e.Alarm.Quiet() {
			continue
		}
		if newest = append(newest, e); len(newest) > mostHappenings {
			newest = newest[1:]
			v.Older = strconv.FormatUint(newest[0].Seq, 10)
		}
	}
	slices.SortStableFunc(newest, func(a, b model.Event) int { return a.At.Compare(b.At) })
	if !forward {
		slices.Reverse(newest)
	}
	clock := srv.clock()
	for _, e := range newest {
		v.Events = append(v.Events, happeningOf(e, clock))
	}
	return nil
}

func happeningOf(e model.Event, clock model.Clock) happening {
	h := happening{At: e.At.String(), Kind: e.Kind.String(), Text: e.Text, Who: e.Who, Photo: e.Photo, Shape: kindShapes[e.Kind]}
	if at := wall(clock, e.At); at != nil {
		h.At = at.Format(time.DateTime)
	}
	if e.Grave() {
		h.Box = e.Seq
	}
	switch {
	case e.Engine != nil:
		h.Text = e.Engine.To.Label() + ", was " + e.Engine.From.Label() + ". " + e.Engine.Evidence
	case e.Hand != nil && h.Text == "":
		h.Text = e.Hand.Kind + " " + e.Hand.Points + ": " + e.Hand.Quantity.ShowWithUnit(e.Hand.Value)
	}
	return h
}
