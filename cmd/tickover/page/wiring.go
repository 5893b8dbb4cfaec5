package page

import (
	"context"
	_ "embed"
	"net/http"
	"slices"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// wiringChecker checks the wiring by what is on record.
type wiringChecker interface {
	// Wiring runs the commissioning checks over a stretch of time.
	Wiring(context.Context, model.Query) ([]model.Check, error)
	// Walk evaluates a one-heater walk; heater is its nameplate power in W, 0
	// when not known. The outcome is kept when keep is set.
	Walk(ctx context.Context, q model.Query, heater float64, keep bool) (model.Walk, error)
}

func wireChecks(checks []model.Check) []api.Check {
	out := []api.Check{}
	for _, c := range checks {
		figures := map[string]float64{}
		for name, v := range c.Figures {
			if number(v) != nil {
				figures[name] = v
			}
		}
		out = append(out, api.Check{Code: c.Code, Title: c.Title, Outcome: c.Outcome.String(), Words: c.Words, Do: c.Do, Figures: figures, Corrections: wireCorrections(c.Corrections)})
	}
	return out
}

func wireCorrections(corrections []model.Correction) []api.Correction {
	var out []api.Correction
	for _, c := range corrections {
		shows, add := c.Words()
		out = append(out, api.Correction{Shows: shows, Add: add})
	}
	return out
}

// recentWiring is how far back checks look when no span is asked for.
const recentWiring = 15 * time.Minute

// recent is the span asked for, or the newest part of the record.
func (srv *server) recent(r *http.Request) (model.Query, error) {
	q, err := srv.question(r)
	if err != nil || !q.From.IsZero() || !q.To.IsZero() {
		return q, err
	}
	if snap := srv.Live.Latest(); snap != nil {
		q.From = model.Instant{Boot: snap.At.Boot, Offset: max(0, snap.At.Offset-recentWiring)}
	}
	return q, nil
}

func (srv *server) apiWiring(w http.ResponseWriter, r *http.Request) {
	checks, err := srv.wiringChecks(r)
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	send(w, wireChecks(checks))
}

func (srv *server) wiringChecks(r *http.Request) ([]model.Check, error) {
	q, err := srv.recent(r)
	if err != nil {
		return nil, err
	}
	turn, err := srv.turn(r.Context())
	if err != nil {
		return nil, err
	}
	defer turn.leave()
	return srv.Wiring.Wiring(r.Context(), q)
}

// walk works the walk out; heater is its nameplate, with its unit.
func (srv *server) walk(r *http.Request, keep bool) (model.Walk, error) {
	q, err := srv.recent(r)
	if err != nil {
		return model.Walk{}, err
	}
	heater := 0.0
	if in := r.FormValue("heater"); in != "" {
		if heater, err = model.ParseValue(in, model.ActivePower); err != nil {
			return model.Walk{}, asked(err)
		}
	}
	turn, err := srv.turn(r.Context())
	if err != nil {
		return model.Walk{}, err
	}
	defer turn.leave()
	return srv.Wiring.Walk(r.Context(), q, heater, keep)
}

func wireWalk(k model.Walk) api.Walk {
	return api.Walk{Complete: k.Complete, Next: k.Next, Words: k.Words, Drawing: k.Drawing,
		Checks: wireChecks(k.Checks)}
}

func (srv *server) apiWalk(w http.ResponseWriter, r *http.Request) {
	k, err := srv.walk(r, false)
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	send(w, wireWalk(k))
}

func (srv *server) keepWalk(w http.ResponseWriter, r *http.Request) {
	k, err := srv.walk(r, true)
	if err == nil && !k.Complete {
		err = &badQuestion{http.StatusConflict, "the walk is not complete: " + k.Words, "go through L1, L2 and L3 first"}
	}
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	done(w, r, map[string]string{"kept": k.Words})
}

//go:embed wiring.html
var wiringSource string

var wiringTemplate = paged(wiringSource)

// wiringPage shows the checks and the walk as far as it went.
func (srv *server) wiringPage(w http.ResponseWriter, r *http.Request) {
	v := struct {
		view
		Walk   model.Walk
		Checks []model.Check
	}{view: srv.frame("wiring", "Wiring", look(r))}
	var err error
	if v.Checks, err = srv.wiringChecks(r); err == nil {
		v.Walk, err = srv.walk(r, false)
	}
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	rank := map[model.Outcome]int{model.Finding: 0, model.CannotTell: 1, model.Pass: 2}
	slices.SortStableFunc(v.Checks, func(a, b model.Check) int { return rank[a.Outcome] - rank[b.Outcome] })
	srv.show(w, r, wiringTemplate, v)
}
