package client

import (
	"context"
	"encoding/json"
	"net/url"
	"strconv"
	"time"

	"tickover/cmd/tickover/api"
)

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
		var last api.Run
		if err := json.Unmarshal(page[len(page)-1], &last); err != nil {
			return nil, err
		}
		q.Set("after", last.ID)
	}
}
