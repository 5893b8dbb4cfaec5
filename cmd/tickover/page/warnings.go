package page

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"time"

	"tickover/model"
)

// warning is one alarm as the pages show it.
type warning struct {
	Rule, Label, Priority, State, Shape string
	Text, For, Until, Action, Why       string   // Action is empty unless the condition lasts
	Do, Ended                           string   // Do heads the action; Ended is from when to when it was, once it is over
	Marks                               []string // what else it does that it should not
	Limit, Basis, Unwatched, Around     string   // Around is the address of the readings kept
	Under                               string   // the label of the alarm that explains it
	Awaits, Over, Critical              bool
	CanWrite, AskToken                  bool
	Back                                string // page a form leads back to
	Shelve, Return                      verb
}

// verb is a form that does something to an alarm.
type verb struct {
	Rule, Verb, Text string
	Hours, Why       bool // asks for how long; asks why
	AskToken         bool
}

// warnings sorts what is not normal: critical before warning, waiting before
// seen, first-out before the rest.
func (v *view) warnings(g readout) {
	all := slices.Clone(g.snap.Alarms)
	slices.SortStableFunc(all, func(a, b model.AlarmStatus) int { return rank(b) - rank(a) })
	all = grouped(all)
	for _, a := range all {
		w := g.warning(a)
		w.CanWrite, w.AskToken, w.Back = v.CanWrite, v.AskToken, "/"
		if v.View == "alarms" {
			w.Back = "/alarms"
		}
		w.Shelve.AskToken, w.Return.AskToken = v.AskToken, v.AskToken
		switch {
		case a.State == model.AlarmShelved || a.State == model.AlarmOutOfService:
			v.Aside = append(v.Aside, w)
		case a.State == model.AlarmNormal && !a.Watching && a.Why != "":
			v.Deaf = append(v.Deaf, w)
		case a.State.Active() || a.State.AwaitsPerson():
			v.Alarms = append(v.Alarms, w)
		}
		if !w.Critical || !w.Awaits || a.Under != "" {
			continue
		}
		if v.Critical == nil {
			v.Critical = &w
		} else {
			v.More++
		}
	}
}

// grouped puts each alarm that is shown under another right after that one.
func grouped(all []model.AlarmStatus) []model.AlarmStatus {
	place := map[string]int{}
	for i, a := range all {
		place[a.Rule.ID] = 2 * i
	}
	at := func(a model.AlarmStatus) int {
		if head, ok := place[a.Under]; ok && a.Under != "" {
			return head + 1
		}
		return place[a.Rule.ID]
	}
	slices.SortStableFunc(all, func(a, b model.AlarmStatus) int { return at(a) - at(b) })
	return all
}

func rank(a model.AlarmStatus) int {
	n := 8 * int(a.Rule.Priority)
	if a.State.AwaitsPerson() {
		n += 4
	}
	if a.State.Lasts() {
		n += 2
	}
	if a.FirstOut {
		n++
	}
	return n
}

func (g readout) warning(a model.AlarmStatus) warning {
	w := warning{Rule: a.Rule.ID, Label: a.Rule.Label, Priority: a.Rule.Priority.String(), State: a.State.String(), Shape: "▲",
		Why: a.Why, Awaits: a.State.AwaitsPerson(), Over: over(a.State), Critical: a.Rule.Priority == model.Critical,
		Basis: a.Rule.Basis, Do: model.ActionHead(a.Rule.Priority),
		Shelve: verb{Rule: a.Rule.ID, Verb: model.Shelve.String(), Text: "Shelve", Hours: true, Why: true},
		Return: verb{Rule: a.Rule.ID, Verb: model.Unshelve.String(), Text: "Unshelve"}}
	if a.State == model.AlarmOutOfService {
		w.Return.Verb, w.Return.Text = model.ReturnToService.String(), "Return to service"
	}
	w.Around = around(a, g.snap.Clock)
	for _, o := range g.snap.Alarms {
		if a.Under != "" && o.Rule.ID == a.Under {
			w.Under = cmp.Or(o.Rule.Label, o.Rule.ID)
		}
	}
	if w.Critical {
		w.Shape = "⬣"
	}
	if w.Label == "" {
		w.Label = a.Rule.ID
	}
	q := a.Rule.Measures(g.quantity(a.Rule.Point))
	w.Limit = "–"
	if q != model.NoQuantity {
		w.Limit = a.Rule.Kind.String() + " " + q.ShowWithUnit(a.Limit)
	}
	if a.Chatters > 0 {
		w.Marks = append(w.Marks, fmt.Sprintf("Chattering: %d changes in a minute. Look at its sensor, plug and wires.", a.Chatters))
	}
	if a.Stale > 0 {
		w.Marks = append(w.Marks, "Stale: active for "+span(a.Stale)+".")
	}
	if a.Unwatched > 0 {
		w.Unwatched = span(a.Unwatched)
	}
	w.Text = a.Text(g.quantity(a.Rule.Point), g.snap.Clock, g.now)
	if a.State.Lasts() {
		w.Action = a.Rule.Action
	}
	if w.Over {
		w.Ended = ended(a, g.snap.Clock)
	}
	if d, ok := g.now.Sub(a.Since); ok && !a.Since.IsZero() {
		w.For = span(d)
	}
	if d, ok := a.Until.Sub(g.now); ok && !a.Until.IsZero() {
		w.Until = span(d)
	}
	return w
}

// ended says from when to when an alarm's condition was there, such as "14:02 to
// 14:05"; "" when that is not known.
func ended(a model.AlarmStatus, clock model.Clock) string {
	from, to := wall(clock, a.Raised), wall(clock, a.Since)
	if from == nil || to == nil || a.State == model.AlarmLatchedAcknowledged { // since then it is acknowledged, not over
		return ""
	}
	return from.Format("15:04") + " to " + to.Format("15:04 UTC")
}

// alarmsView is the page of the alarms.
type alarmsView struct {
	view
	Rules []warning
	// Dangers are held against the set's instruments; Unseen of them have none.
	Dangers []dangerRow
	Unseen  int
	Oil     string // how long a start without oil pressure takes to be told; "" without such a rule
}

func (srv *server) alarmsView() alarmsView {
	return alarmsView{view: srv.frame("alarms", "Alarms", true)}
}

func (srv *server) alarms(w http.ResponseWriter, r *http.Request) {
	v := srv.alarmsView()
	var now []model.AlarmStatus
	if snap := srv.Live.Latest(); snap != nil {
		now = snap.Alarms
		g := srv.readout(snap, srv.moment(snap))
		for _, a := range snap.Alarms {
			v.Rules = append(v.Rules, g.warning(a))
			if a.Rule.ID == "oil.pressure.missing" {
				v.Oil = g.latency(a.Rule)
			}
		}
	}
	v.Dangers = dangerRows(srv.Alarms.Dangers(), now)
	v.Unseen = unseen(v.Dangers)
	srv.show(w, r, alarmsTemplate, v)
}

// latency is how long an alarm takes to appear after a start that raises it: the
// wait for the next reading, the rule's wait after a start, and its delay. It is
// "" when it is not known how often the point is read.
func (g readout) latency(r model.AlarmRule) string {
	every := g.points[r.Point].Every
	if every <= 0 {
		return ""
	}
	return span((every + r.ArmDelay + r.OnDelay).Round(time.Second))
}
