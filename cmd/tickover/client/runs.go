package client

import (
	"context"
	"encoding/json"
	"net/url"
	"strconv"
	"time"
)

// RunRow is one run as the API lists it.
type RunRow struct {
	ID       string     `json:"id"`
	Started  *time.Time `json:"started"` // nil while no clock knows it
	Ended    *time.Time `json:"ended"`
	Date     string     `json:"started_text"` // the same for people
	EndDate  string     `json:"ended_text"`
	From     string     `json:"from"` // the same as instants
	To       string     `json:"to"`
	Open     bool       `json:"open"`
	CutShort string     `json:"cut_short"`
	Cranks   int        `json:"cranks"`
	Starts   int        `json:"starts"`
	Running  float64    `json:"running_seconds"`
}

// End says when the run ended, and how when the record of it stops short.
func (r RunRow) End() string {
	switch {
	case r.Open:
		return "still going"
	case r.CutShort != "":
		return r.EndDate + ": " + r.CutShort
	}
	return r.EndDate
}

// TimeOfDay writes a moment as the report does.
func TimeOfDay(wall *time.Time, instant string) string {
	if wall == nil {
		return "time of day not known (" + instant + ")"
	}
	return wall.UTC().Format("2006-01-02 15:04:05") + " UTC"
}

// mostAsked is what one answer of a list holds at most.
const mostAsked = 1000

// AllRuns asks for one page of runs after the other.
func (a *Client) AllRuns(ctx context.Context) ([]json.RawMessage, error) {
	all := []json.RawMessage{}
	q := url.Values{"limit": {strconv.Itoa(mostAsked)}}
	for {
		var page []json.RawMessage
		if err := a.List(ctx, "/api/v1/runs", q, &page); err != nil {
			return nil, err
		}
		all = append(all, page...)
		if len(page) < mostAsked {
			return all, nil
		}
		var last RunRow
		if err := json.Unmarshal(page[len(page)-1], &last); err != nil {
			return nil, err
		}
		q.Set("after", last.ID)
	}
}
