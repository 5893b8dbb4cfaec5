package page

import (
	"strings"
	"testing"
	"time"

	"tickover/model"
)

func TestBlackBoxesAreLinkedWhereTheyWereCaused(t *testing.T) {
	s := hatchery().alarmed()
	s.snap.Alarms[0].Raised = at(10 * time.Minute)
	s.snap.Alarms[1].Raised = at(10 * time.Minute) // a warning keeps none
	s.events = append(s.events, model.Event{Seq: 7, At: at(20 * time.Minute), Kind: model.EngineEvent,
		Engine: &model.StateChange{From: model.Loaded, To: model.RunningDown, Abrupt: true}})
	h := serve(s, Options{})
	alarms, run := ask(h, "GET", "/alarms", "").Body.String(), ask(h, "GET", "/timeline", "").Body.String()
	if n := strings.Count(alarms, `href="/api/v1/export?from=3%2B5m0s&amp;to=3%2B11m0s"`); n != 1 || strings.Count(alarms, "Readings around it") != 1 {
		t.Errorf("%d links to the readings around the alarm", n)
	}
	for _, link := range []string{`href="/api/v1/export?box=3"`, `href="/api/v1/export?box=7"`} {
		if strings.Count(run, link) != 1 || strings.Count(run, "Readings around it") != 2 {
			t.Errorf("the timeline lacks %s, or has too many", link)
		}
	}
	if w := ask(h, "GET", "/api/v1/export?box=7", ""); w.Code != 200 || s.asked.From != at(15*time.Minute) || s.asked.To != at(21*time.Minute) {
		t.Errorf("%d, asked for %+v", w.Code, s.asked)
	}
	for _, other := range []string{"1", "8", "x", "-1"} {
		if w := ask(h, "GET", "/api/v1/export?box="+other, ""); w.Code != 404 {
			t.Errorf("box %s: %d", other, w.Code)
		}
	}
}
