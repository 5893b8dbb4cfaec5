package page

import (
	"math"
	"net/http"
	"slices"
	"testing"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

func TestTrendsAsNumbersShowDipAndGap(t *testing.T) {
	s := eventful()
	dip := s.scans[58*60]
	dip.Samples = []model.Sample{model.GoodSample(model.FrequencyPoint, 46.2)}
	s.scans = slices.Delete(s.scans, 55*60, 56*60) // a minute without readings
	w := ask(serve(s, Options{}), "GET", "/api/v1/trends?span=10m&points=frequency", "")
	got := decode[api.Trends](t, w)
	f := got.Points[model.FrequencyPoint]
	if len(got.Points) != 1 || f.Unit != "Hz" || got.Instant != "3+50m0s" || got.Start.Format(time.TimeOnly) != "18:50:00" {
		t.Fatalf("%.300s", w.Body)
	}
	lowest, gaps := math.Inf(1), 0
	for _, c := range f.Columns {
		lowest = min(lowest, c.Low)
		if c.Gap {
			gaps++
		}
		if c.At >= 301 && c.At < 359 || c.Low > c.High {
			t.Errorf("column %+v", c)
		}
	}
	if lowest != 46.2 || gaps != 1 {
		t.Errorf("lowest %v, %d gaps", lowest, gaps)
	}
	if len(got.Marks) != 1 || got.Marks[0] != (api.TrendMark{At: 360, Label: "1", Alarm: false}) {
		t.Errorf("marks %+v", got.Marks)
	}
	doc := description(t)
	schema := doc["components"].(object)["schemas"].(object)["Trends"].(object)
	for _, wrong := range mismatches(doc, schema, decode[any](t, w), "trends") {
		t.Error(wrong)
	}
	for _, bad := range []string{"span=yesterday", "span=run&run=9", "points=speed.of.light"} {
		if w := ask(serve(s, Options{}), "GET", "/api/v1/trends?"+bad, ""); w.Code != http.StatusBadRequest && w.Code != http.StatusNotFound {
			t.Errorf("%s: %d", bad, w.Code)
		}
	}
}

func TestTrendsBeforeTheFirstRun(t *testing.T) {
	s := hatchery()
	s.list = nil
	if got := decode[api.Trends](t, ask(serve(s, Options{}), "GET", "/api/v1/trends?span=run", "")); len(got.Points) != 0 || got.Start != nil {
		t.Errorf("got %+v", got)
	}
}
