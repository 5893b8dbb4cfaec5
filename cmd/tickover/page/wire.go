package page

import (
	"math"
	"time"

	"tickover/model"
)

// The types below are the JSON of the API. Values are in canonical units;
// what is not known is null. Times are RFC 3339 in UTC, null when no clock
// knows them; an instant is the boot's number and the time since it.

type wireRun struct {
	ID       string     `json:"id"`
	Started  *time.Time `json:"started"`
	Ended    *time.Time `json:"ended"`
	Date     string     `json:"started_text"` // the same for people, with what vouches for it
	EndDate  string     `json:"ended_text,omitempty"`
	From     string     `json:"from"`
	To       string     `json:"to,omitempty"`
	Cranks   int        `json:"cranks"`
	Starts   int        `json:"starts"`
	Running  float64    `json:"running_seconds"`
	Loaded   float64    `json:"loaded_seconds"`
	Open     bool       `json:"open"`
	CutShort string     `json:"cut_short,omitempty"`
}

type wireNow struct {
	At        *time.Time                  `json:"at"`
	Instant   string                      `json:"instant"`
	Age       float64                     `json:"age_seconds"`
	Simulated bool                        `json:"simulated"`
	Clock     string                      `json:"clock"`
	Engine    wireEngine                  `json:"engine"`
	Points    map[model.PointID]wirePoint `json:"points"`
	Alarms    []wireAlarm                 `json:"alarms"`
	Devices   []wireDevice                `json:"devices"`
	Store     wireStore                   `json:"store"`
	Next      wireNext                    `json:"next_step"`
}

// wireNext says whether the next load step may come.
type wireNext struct {
	Ready   bool     `json:"ready"`
	Unmet   []string `json:"unmet"`
	Unasked []string `json:"not_asked"`
	Left    *float64 `json:"left_seconds"`
	Held    float64  `json:"held_seconds"`
}

func nextOf(r model.Readiness) wireNext {
	n := wireNext{Ready: r.Ready, Unmet: append([]string{}, r.Unmet...), Unasked: append([]string{}, r.Unasked...), Held: r.Held.Seconds()}
	if r.Ready || r.Left > 0 {
		n.Left = number(r.Left.Seconds())
	}
	return n
}

type wireEngine struct {
	State string   `json:"state"`
	For   *float64 `json:"for_seconds"`
}

type wirePoint struct {
	Value    *float64 `json:"value"`
	Quantity string   `json:"quantity"`
	Unit     string   `json:"unit"`
	Quality  string   `json:"quality"`
	Cause    string   `json:"cause,omitempty"`
	Age      *float64 `json:"age_seconds"`
	Stale    bool     `json:"stale"`
	LastGood *float64 `json:"last_good_value"`
}

type wireAlarm struct {
	Rule     string     `json:"rule"`
	Label    string     `json:"label"`
	Priority string     `json:"priority"`
	State    string     `json:"state"`
	Letter   string     `json:"letter"`
	Active   bool       `json:"active"`
	Awaits   bool       `json:"awaits_acknowledgement"`
	Since    *time.Time `json:"since"`
	Instant  string     `json:"since_instant"`
	Value    *float64   `json:"value"`
	Limit    *float64   `json:"limit"`
	Watching bool       `json:"watching"`
	Why      string     `json:"why,omitempty"`
	FirstOut bool       `json:"first_out"`
	Under    string     `json:"under,omitempty"` // the rule of the standing alarm that explains it
	Over     bool       `json:"over"`            // the condition is over; it awaits its reset
	Text     string     `json:"text"`            // what raised it and what is now; empty when it is normal
	Raised   *time.Time `json:"raised"`
	RaisedBy *float64   `json:"raised_value"`
	RaisedAt *float64   `json:"raised_limit"`
	Action   string     `json:"action"` // empty unless the condition lasts
	Basis    string     `json:"basis"`
	// Unwatched is how long the alarm was armed and could not see, in all.
	Unwatched float64 `json:"unwatched_seconds"`
	Chatters  int     `json:"chattering"`    // changes in a minute, when there were too many lately; else 0
	Stale     float64 `json:"stale_seconds"` // how long it has stood, when that is too long; else 0
	// Until is the end of a shelving.
	Until *time.Time `json:"until"`
}

type wireDevice struct {
	Name    string `json:"name"`
	Line    string `json:"line"`
	Unit    uint8  `json:"unit"`
	Up      bool   `json:"up"`
	Trouble string `json:"trouble,omitempty"`
}

type wireStore struct {
	Degraded string `json:"degraded,omitempty"`
	Bytes    int64  `json:"bytes"`
	Lost     uint64 `json:"lost_scans"`
}

type wireEvent struct {
	Seq      uint64     `json:"seq"`
	At       *time.Time `json:"at"`
	Instant  string     `json:"instant"`
	Kind     string     `json:"kind"`
	Text     string     `json:"text"`
	Who      string     `json:"who,omitempty"`
	From     string     `json:"from,omitempty"` // state before, of an engine or alarm event
	To       string     `json:"to,omitempty"`
	Evidence string     `json:"evidence,omitempty"`
	Rule     string     `json:"rule,omitempty"`
	Priority string     `json:"priority,omitempty"`
	Value    *float64   `json:"value,omitempty"`
	Quantity string     `json:"quantity,omitempty"`
	Points   string     `json:"points,omitempty"`
	Photo    uint64     `json:"photo,omitempty"` // number for /api/v1/photos
}

func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func wall(clock model.Clock, i model.Instant) *time.Time {
	if i.IsZero() {
		return nil
	}
	w, source := clock.Wall(i)
	if source == model.ClockUnknown {
		return nil
	}
	return &w
}

func seconds(now, then model.Instant) *float64 {
	if then.IsZero() {
		return nil
	}
	d, ok := now.Sub(then)
	if !ok {
		return nil
	}
	return number(d.Seconds())
}

func runOf(r model.Run, clock model.Clock) wireRun {
	out := wireRun{ID: r.ID, Date: clock.Date(r.Started), Started: wall(clock, r.Started), Ended: wall(clock, r.Ended), From: r.Started.String(),
		Cranks: r.Cranks, Starts: r.Starts, Running: r.Running.Seconds(), Loaded: r.Loaded.Seconds(), Open: r.Open, CutShort: r.CutShort}
	if !r.Ended.IsZero() {
		out.To, out.EndDate = r.Ended.String(), clock.Date(r.Ended)
	}
	return out
}

func alarmOf(a model.AlarmStatus, q model.Quantity, clock model.Clock, now model.Instant) wireAlarm {
	out := wireAlarm{Rule: a.Rule.ID, Label: a.Rule.Label, Priority: a.Rule.Priority.String(), State: a.State.String(), Letter: a.State.Letter(),
		Active: a.State.Active(), Awaits: a.State.AwaitsPerson(), Since: wall(clock, a.Since), Instant: a.Since.String(), Limit: number(a.Limit),
		Watching: a.Watching, Why: a.Why, FirstOut: a.FirstOut, Under: a.Under, Text: a.Text(q, clock, now), Over: over(a.State), Basis: a.Rule.Basis,
		Unwatched: a.Unwatched.Seconds(), Chatters: a.Chatters, Stale: a.Stale.Seconds(), Until: wall(clock, a.Until)}
	if a.Quality == model.Good {
		out.Value = number(a.Value)
	}
	if a.State.Lasts() {
		out.Action = a.Rule.Action
	}
	if out.Text != "" {
		out.Raised = wall(clock, a.Raised)
	}
	if out.Text != "" && a.Crossing.Quality == model.Good {
		out.RaisedBy, out.RaisedAt = number(a.Crossing.Value), number(a.Crossing.Limit)
	}
	return out
}

// over reports whether an alarm's condition is over and its reset is awaited.
func over(s model.AlarmState) bool { return !s.Lasts() && (s.Active() || s.AwaitsPerson()) }

func eventOf(e model.Event, clock model.Clock) wireEvent {
	out := wireEvent{Seq: e.Seq, At: wall(clock, e.At), Instant: e.At.String(), Kind: e.Kind.String(), Text: e.Text, Who: e.Who, Photo: e.Photo}
	switch {
	case e.Engine != nil:
		out.From, out.To, out.Evidence = e.Engine.From.String(), e.Engine.To.String(), e.Engine.Evidence
	case e.Alarm != nil:
		a := e.Alarm
		out.From, out.To, out.Rule, out.Priority = a.From.String(), a.To.String(), a.Rule, a.Priority.String()
		if a.Quality == model.Good {
			out.Value, out.Quantity = number(a.Value), a.Quantity.String()
		}
	case e.Hand != nil:
		out.Value, out.Quantity, out.Points = number(e.Hand.Value), e.Hand.Quantity.String(), e.Hand.Points
	}
	return out
}
