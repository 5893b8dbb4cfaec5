package forward

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// takesAll is a server without a network.
type takesAll struct{ requests []time.Time }

func (s *takesAll) RoundTrip(r *http.Request) (*http.Response, error) {
	if r.Method == http.MethodPost {
		s.requests = append(s.requests, time.Now())
	}
	date := http.Header{"Date": {time.Now().UTC().Format(http.TimeFormat)}}
	return &http.Response{StatusCode: http.StatusNoContent, Header: date, Body: io.NopCloser(strings.NewReader(""))}, nil
}

// A backlog goes out no faster than it may, so that it leaves room on a thin
// link.
func TestTheRateIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &shelf{clock: model.Clock{Boots: []model.Boot{{Number: 1, Last: hour, Estimates: []model.ClockEstimate{
			{Wall: time.Now().Add(-hour).UnixNano(), Source: model.ClockSynchronised}}}}}}
		s.fill(1, "meter/1s", 1000, 2)
		server := &takesAll{}
		w := NewWriter(Parts{To: model.RemoteWrite{Name: "thin", URL: "http://thin.example/write", PerRequest: 100, PerSecond: 50}, Source: s, Series: names,
			Client: &http.Client{Transport: server}, Now: func() model.Instant { return model.Instant{Boot: 1, Offset: hour} },
			Folder: t.TempDir(), Log: slog.New(slog.DiscardHandler)})
		begin := time.Now()
		if err := w.pass(context.Background()); err != nil {
			t.Fatal(err)
		}
		if took := time.Since(begin); took < 39*time.Second || took > 41*time.Second || w.Health().Sent != 2000 || len(server.requests) != 20 {
			t.Errorf("2000 samples at 50 a second took %s in %d requests; %+v", took, len(server.requests), w.Health())
		}
	})
}
