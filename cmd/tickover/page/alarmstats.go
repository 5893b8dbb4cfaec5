package page

import (
	"context"
	"net/http"

	"tickover/model"
)

// AlarmStats is model.AlarmStats as JSON; what takes ten minutes of logged time
// is null before.
type AlarmStats struct {
	Logged     float64         `json:"logged_seconds"`
	Raised     int             `json:"raised"`
	ByPriority map[string]int  `json:"by_priority"`
	Spans      int             `json:"spans"`
	Average    *float64        `json:"average"`
	Peak       *int            `json:"peak"`
	Floods     *int            `json:"floods"`
	Reason     string          `json:"reason,omitempty"`
	Top        []AlarmCount    `json:"top"`
	Chattering []AlarmCount    `json:"chattering"`
	Stale      []AlarmStanding `json:"stale"`
}

// AlarmCount is model.AlarmCount as JSON.
type AlarmCount struct {
	Rule  string `json:"rule"`
	Label string `json:"label"`
	Times int    `json:"times"`
}

// AlarmStanding is model.AlarmStanding as JSON.
type AlarmStanding struct {
	Rule  string  `json:"rule"`
	Label string  `json:"label"`
	For   float64 `json:"for_seconds"`
}

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

func alarmStatsOf(s model.AlarmStats) AlarmStats {
	out := AlarmStats{Logged: s.Logged.Seconds(), Raised: s.Raised, ByPriority: map[string]int{}, Spans: s.Spans,
		Top: countsOf(s.Top), Chattering: countsOf(s.Chattering), Stale: []AlarmStanding{}}
	for p, n := range s.ByPriority {
		out.ByPriority[model.Priority(p).String()] = n
	}
	if s.Spans > 0 {
		out.Average, out.Peak, out.Floods = &s.Average, &s.Peak, &s.Floods
	} else {
		out.Reason = "less than ten minutes are logged"
	}
	for _, a := range s.Stale {
		out.Stale = append(out.Stale, AlarmStanding{a.Rule, a.Label, a.For.Seconds()})
	}
	return out
}

func countsOf(counts []model.AlarmCount) []AlarmCount {
	out := []AlarmCount{}
	for _, c := range counts {
		out = append(out, AlarmCount{c.Rule, c.Label, c.Times})
	}
	return out
}
