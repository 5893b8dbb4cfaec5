package page

import (
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

func (f *face) apiAlarmStats(w http.ResponseWriter, r *http.Request) {
	turn := f.enter(w, r)
	if turn == nil {
		return
	}
	s, err := f.src.AlarmStats(r.Context())
	turn.leave()
	if err != nil {
		f.fail(w, r, err)
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
