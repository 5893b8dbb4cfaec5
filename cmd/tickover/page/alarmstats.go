package page

import (
	"context"
	"net/http"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// alarmKeeper answers about alarms and changes their state.
type alarmKeeper interface {
	// AlarmStats counts the alarms of everything on record.
	AlarmStats(context.Context) (model.AlarmStats, error)
	// Dangers lists which instruments of the set see which danger, gravest first.
	Dangers() []model.Danger
	// Act does to an alarm what a person wants.
	Act(ctx context.Context, act model.AlarmAct) error
}

func (srv *server) apiAlarmStats(w http.ResponseWriter, r *http.Request) {
	turn := srv.enter(w, r)
	if turn == nil {
		return
	}
	s, err := srv.Alarms.AlarmStats(r.Context())
	turn.leave()
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	send(w, alarmStatsOf(s))
}

func alarmStatsOf(s model.AlarmStats) api.AlarmStats {
	out := api.AlarmStats{Logged: s.Logged.Seconds(), Raised: s.Raised, ByPriority: map[string]int{}, Spans: s.Spans,
		Top: countsOf(s.Top), Chattering: countsOf(s.Chattering), Stale: []api.AlarmStanding{}}
	for p, n := range s.ByPriority {
		out.ByPriority[model.Priority(p).String()] = n
	}
	if s.Spans > 0 {
		out.Average, out.Peak, out.Floods = &s.Average, &s.Peak, &s.Floods
	} else {
		out.Reason = "less than ten minutes are logged"
	}
	for _, a := range s.Stale {
		out.Stale = append(out.Stale, api.AlarmStanding{Rule: a.Rule, Label: a.Label, For: a.For.Seconds()})
	}
	return out
}

func countsOf(counts []model.AlarmCount) []api.AlarmCount {
	out := []api.AlarmCount{}
	for _, c := range counts {
		out = append(out, api.AlarmCount{Rule: c.Rule, Label: c.Label, Times: c.Times})
	}
	return out
}
