package page

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// mostListed bounds one answer of a list that can grow.
const mostListed = 1000

// listed reads how much of a list is asked for, and after what.
func listed(r *http.Request) (after string, most int, err error) {
	in := r.URL.Query()
	most = mostListed
	if s := in.Get("limit"); s != "" {
		if most, err = strconv.Atoi(s); err != nil || most < 1 || most > mostListed {
			return "", 0, &badQuestion{http.StatusBadRequest, "limit is no number of entries", "it goes from 1 to 1000"}
		}
	}
	return in.Get("after"), most, nil
}

// goesOn says where a list goes on after the entry named, as RFC 8288 writes it.
func goesOn(w http.ResponseWriter, r *http.Request, after string) {
	in := r.URL.Query()
	in.Set("after", after)
	w.Header().Set("Link", "<"+r.URL.Path+"?"+in.Encode()+`>; rel="next"`)
}

// apiRuns answers one page of runs; the cursor is the id of the last one seen.
func (srv *server) apiRuns(w http.ResponseWriter, r *http.Request) {
	after, most, err := listed(r)
	var runs []model.Run
	if err == nil {
		runs, err = srv.Runs.Runs(r.Context())
	}
	if after != "" && err == nil {
		i := slices.IndexFunc(runs, func(run model.Run) bool { return run.ID == after })
		if i < 0 {
			err = &badQuestion{http.StatusBadRequest, "after names no run", "after is the id of the last run seen"}
		}
		runs = runs[i+1:]
	}
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	if len(runs) > most {
		runs = runs[:most]
		goesOn(w, r, runs[most-1].ID)
	}
	out, clock := []api.Run{}, srv.clock()
	for _, run := range runs {
		out = append(out, runOf(run, clock))
	}
	send(w, out)
}

// eventsAsked is which events are wanted.
type eventsAsked struct {
	model.Query
	after uint64
	most  int
	kinds []model.EventKind // none: all
}

func (srv *server) eventsAsked(r *http.Request) (a eventsAsked, err error) {
	if a.Query, err = srv.question(r); err != nil {
		return a, err
	}
	var after string
	if after, a.most, err = listed(r); err != nil {
		return a, err
	}
	if after != "" {
		if a.after, err = strconv.ParseUint(after, 10, 64); err != nil {
			return a, &badQuestion{http.StatusBadRequest, "after is no number", "it is the seq of the last event seen"}
		}
	}
	for name := range strings.SplitSeq(r.URL.Query().Get("kind"), ",") {
		kind, known := model.EventKindNamed(name)
		switch {
		case known:
			a.kinds = append(a.kinds, kind)
		case name != "":
			return a, &badQuestion{http.StatusBadRequest, "there is no such kind of event", "note, remark, measurement, fact, engine, alarm, device, clock, store, daemon, wiring"}
		}
	}
	return a, nil
}

func (a eventsAsked) wants(e model.Event) bool {
	return (e.Seq > a.after || e.Seq == 0) && (len(a.kinds) == 0 || slices.Contains(a.kinds, e.Kind))
}

// apiEvents answers one page of events; "next" is the value of "after" for the
// following page, null at the end.
func (srv *server) apiEvents(w http.ResponseWriter, r *http.Request) {
	a, err := srv.eventsAsked(r)
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	out := api.Events{Events: []api.Event{}}
	clock := srv.clock()
	for e, err := range srv.Timeline.Events(r.Context(), a.Query) {
		if err != nil {
			srv.fail(w, r, err)
			return
		}
		if !a.wants(e) {
			continue
		}
		if len(out.Events) == a.most {
			out.Next = &out.Events[a.most-1].Seq
			goesOn(w, r, strconv.FormatUint(*out.Next, 10))
			break
		}
		out.Events = append(out.Events, eventOf(e, clock))
	}
	send(w, out)
}
