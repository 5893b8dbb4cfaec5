package page

import (
	"context"
	"net/http"
	"net/url"
	"strconv"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// boxReader reads the black boxes: stretches of readings that are never deleted.
type boxReader interface {
	// BlackBoxes lists them, oldest first, with nothing counted.
	BlackBoxes(context.Context) ([]model.BlackBox, error)
	// CountBlackBox reads one and fills in what it contains and what it lacks.
	CountBlackBox(context.Context, *model.BlackBox) error
}

// apiBoxes lists the black boxes, oldest first, each read and counted.
func (srv *server) apiBoxes(w http.ResponseWriter, r *http.Request) {
	turn := srv.enter(w, r)
	if turn == nil {
		return
	}
	boxes, err := srv.Boxes.BlackBoxes(r.Context())
	for i := range boxes {
		if err == nil {
			err = srv.Boxes.CountBlackBox(r.Context(), &boxes[i])
		}
	}
	turn.leave()
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	out, clock := []api.BlackBox{}, srv.clock()
	for _, b := range boxes {
		out = append(out, boxOf(b, clock))
	}
	send(w, out)
}

func boxOf(b model.BlackBox, clock model.Clock) api.BlackBox {
	out := api.BlackBox{ID: b.ID, From: wall(clock, b.From), To: wall(clock, b.To), FromInstant: b.From.String(), ToInstant: b.To.String(),
		Scans: b.Scans, Points: b.Points, Readings: b.Readings, Whole: len(b.Lacks) == 0, Lacks: append([]string{}, b.Lacks...)}
	for _, e := range b.Causes {
		out.Why = append(out.Why, graveWords(e))
	}
	return out
}

func graveWords(e model.Event) string {
	if e.Engine != nil {
		return "the engine stopped abruptly"
	}
	return e.Alarm.Words()
}

// box limits a question to the black box kept for an event, named by the
// event's seq.
func (srv *server) box(r *http.Request, q *model.Query) error {
	text := r.URL.Query().Get("box")
	if text == "" {
		return nil
	}
	seq, err := strconv.ParseUint(text, 10, 64)
	boxes, failed := srv.Boxes.BlackBoxes(r.Context())
	if failed != nil {
		return failed
	}
	for _, b := range boxes {
		if err == nil && b.Holds(seq) {
			q.From, q.To = b.From, b.To
			return nil
		}
	}
	return &badQuestion{http.StatusNotFound, "there is no black box " + strconv.Quote(text), "tickover alarms boxes lists them"}
}

// around is the address of the readings kept for an alarm that was raised at
// an instant; "" when none are.
func around(a model.AlarmStatus, clock model.Clock) string {
	if a.Raised.IsZero() || a.Rule.Priority != model.Critical {
		return ""
	}
	span := model.Event{At: a.Raised}.BlackBox(clock)
	return "/api/v1/export?" + url.Values{"from": {span.From.String()}, "to": {span.To.String()}}.Encode()
}
