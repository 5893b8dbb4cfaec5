package page

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/model"
)

// A badQuestion is a request that cannot be answered, with the status to
// answer it with and what to ask instead.
type badQuestion struct {
	status        int
	message, hint string
}

func (b *badQuestion) Error() string { return b.message }

// damageOrNot tells of an answer that could not be read. Of damage it names the
// place: what rests on it is not worked out from the rest.
func damageOrNot(err error) *badQuestion {
	var d interface{ Damaged() }
	if !errors.As(err, &d) {
		return &badQuestion{http.StatusInternalServerError, "this could not be read", "the daemon's log says why"}
	}
	return &badQuestion{http.StatusInternalServerError, err.Error(),
		"tickover backup copies everything that can be read into a new folder, to be read with --state"}
}

// fail answers a request that came to nothing.
func (srv *server) fail(w http.ResponseWriter, r *http.Request, err error) {
	var b *badQuestion
	if !errors.As(err, &b) {
		if r.Context().Err() != nil {
			return // the reader left
		}
		srv.log.Error("request failed", "path", r.URL.Path, "err", err)
		b = damageOrNot(err)
	}
	if b.status == http.StatusServiceUnavailable {
		w.Header().Set("Retry-After", "10")
	}
	if !forPerson(r) {
		refuse(w, b.status, b.message, b.hint)
		return
	}
	srv.showProblem(w, r, b)
}

// forPerson reports whether a person in a browser waits for the answer.
func forPerson(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "text/html") && !strings.HasPrefix(r.URL.Path, "/api/")
}

// showProblem tells a person in a browser what is wrong, with the way back.
func (srv *server) showProblem(w http.ResponseWriter, r *http.Request, b *badQuestion) {
	v := struct {
		view
		Problem, Hint string
	}{srv.frame("watch", "That did not work", true), b.message, b.hint}
	var page bytes.Buffer
	if err := problemTemplate.Execute(&page, v); err != nil {
		srv.log.Error("page not drawn", "err", err)
		refuse(w, b.status, b.message, b.hint)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", pagePolicy)
	w.WriteHeader(b.status)
	_, _ = w.Write(page.Bytes()) // the reader may be gone
}

// question reads from, to, run, box and points.
func (srv *server) question(r *http.Request) (model.Query, error) {
	var q model.Query
	in := r.URL.Query()
	if id := in.Get("run"); id != "" {
		run, err := srv.run(r, id)
		if err != nil {
			return q, err
		}
		q.From, q.To = run.Started, run.Ended
	}
	err := srv.span(in, &q)
	if err == nil {
		err = srv.box(r, &q)
	}
	if err != nil {
		return q, err
	}
	q.Points, err = srv.points(r)
	return q, err
}

// points reads which points are asked for; none means all.
func (srv *server) points(r *http.Request) ([]model.PointID, error) {
	var points []model.PointID
	for name := range strings.SplitSeq(r.URL.Query().Get("points"), ",") {
		if p := strings.TrimSpace(name); p != "" {
			points = append(points, model.PointID(p))
		}
	}
	return points, srv.known(points)
}

// known refuses points that are not set up and not worked out here.
func (srv *server) known(points []model.PointID) error {
	if len(points) == 0 {
		return nil
	}
	setup := srv.Live.Setup()
	all := setup.Points()
	snap := srv.Live.Latest()
	for _, p := range points {
		_, configured := all[p]
		_, well := model.KnownQuantity(p)
		seen := false
		if snap != nil {
			_, seen = snap.Readings[p]
		}
		if !configured && !well && !seen {
			return &badQuestion{http.StatusBadRequest, fmt.Sprintf("there is no point %q", p), "tickover check lists the points of the configuration"}
		}
	}
	return nil
}

// span reads from and to. Times of day are looked up in every boot by itself,
// since a clock that was wrong makes boots claim each other's time.
func (srv *server) span(in url.Values, q *model.Query) error {
	for field, to := range map[string]*model.Instant{"from": &q.From, "to": &q.To} {
		if err := srv.instant(in, field, to); err != nil {
			return err
		}
	}
	from, fromWall := wallTime(in.Get("from"))
	to, toWall := wallTime(in.Get("to"))
	if snap := srv.Live.Latest(); snap != nil && in.Get("run") == "" && fromWall && toWall && !(from.IsZero() && to.IsZero()) {
		*q = q.During(snap.Clock.Between(from, to))
	}
	return nil
}

// wallTime reads a time of day, by RFC 3339 or in UTC as our lists write it; no
// text at all stands for one without end.
func wallTime(text string) (time.Time, bool) {
	if text == "" {
		return time.Time{}, true
	}
	if t, err := time.Parse(time.RFC3339, strings.Replace(text, " ", "+", 1)); err == nil { // a plus of a zone arrives as a space
		return t, true
	}
	for _, listed := range []string{"2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02"} {
		if t, err := time.Parse(listed, strings.TrimSuffix(text, " UTC")); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}

func (srv *server) instant(in url.Values, field string, to *model.Instant) error {
	text := in.Get(field)
	if text == "" {
		return nil
	}
	clock := model.Clock{}
	if snap := srv.Live.Latest(); snap != nil {
		clock = snap.Clock
	}
	i, err := parseInstant(text, clock)
	if err != nil {
		return &badQuestion{http.StatusBadRequest, fmt.Sprintf("%q in %s: %v", text, field, err),
			"write a time such as \"2025-11-08 18:30\" (UTC) or 2025-11-08T18:30:00+01:00, or boot and time since it such as 3+1h2m3s"}
	}
	*to = i
	return nil
}

// parseInstant reads "3+1h2m3s" or a time of RFC 3339, which the clock then
// places in the latest boot that had begun by then. A plus sign that a query
// string turned into a space is taken for what it was.
func parseInstant(text string, clock model.Clock) (model.Instant, error) {
	if boot, offset, ok := strings.Cut(strings.Replace(text, " ", "+", 1), "+"); ok && !strings.Contains(boot, "-") {
		n, err := strconv.ParseUint(boot, 10, 32)
		d, wrong := time.ParseDuration(offset)
		if err != nil || wrong != nil || n == 0 || d < 0 {
			return model.Instant{}, errors.New("no boot and time since it")
		}
		return model.Instant{Boot: uint32(n), Offset: d}, nil
	}
	t, ok := wallTime(text)
	if !ok {
		return model.Instant{}, errors.New("no time")
	}
	i, ok := clock.Place(t)
	if !ok {
		return i, errors.New("the time of day is not known here, so it cannot be found")
	}
	return i, nil
}

// run finds a run by its ID or "last".
func (srv *server) run(r *http.Request, id string) (model.Run, error) {
	runs, err := srv.Runs.Runs(r.Context())
	if err != nil {
		return model.Run{}, err
	}
	if id == "last" && len(runs) > 0 {
		return runs[len(runs)-1], nil
	}
	i := slices.IndexFunc(runs, func(run model.Run) bool { return run.ID == id })
	if i < 0 {
		return model.Run{}, &badQuestion{http.StatusNotFound, fmt.Sprintf("there is no run %q", id), "tickover runs lists them; \"last\" is the newest"}
	}
	return runs[i], nil
}
