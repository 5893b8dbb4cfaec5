package page

import (
	"math"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

func nextOf(r model.Readiness) api.NextStep {
	n := api.NextStep{Ready: r.Ready, Unmet: append([]string{}, r.Unmet...), Unasked: append([]string{}, r.Unasked...), Held: r.Held.Seconds()}
	if r.Ready || r.Left > 0 {
		n.Left = number(r.Left.Seconds())
	}
	return n
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

func runOf(r model.Run, clock model.Clock) api.Run {
	out := api.Run{ID: r.ID, Date: clock.Date(r.Started), Started: wall(clock, r.Started), Ended: wall(clock, r.Ended), From: r.Started.String(),
		Cranks: r.Cranks, Starts: r.Starts, Running: r.Running.Seconds(), Loaded: r.Loaded.Seconds(), Open: r.Open, CutShort: r.CutShort}
	if !r.Ended.IsZero() {
		out.To, out.EndDate = r.Ended.String(), clock.Date(r.Ended)
	}
	return out
}

func alarmOf(a model.AlarmStatus, q model.Quantity, clock model.Clock, now model.Instant) api.Alarm {
	out := api.Alarm{Rule: a.Rule.ID, Label: a.Rule.Label, Priority: a.Rule.Priority.String(), State: a.State.String(), Letter: a.State.Letter(),
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

func eventOf(e model.Event, clock model.Clock) api.Event {
	out := api.Event{Seq: e.Seq, At: wall(clock, e.At), Instant: e.At.String(), Kind: e.Kind.String(), Text: e.Text, Who: e.Who, Photo: e.Photo}
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
