package page

import (
	"strings"
	"testing"

	"tickover/model"
)

// The page says which dangers no instrument sees, which are seen in part, and which
// cannot be seen now because their instrument is not read.
func TestThePageOfAlarmsSaysWhatIsNotSeen(t *testing.T) {
	s := hatchery()
	body := ask(serve(s, Options{}), "GET", "/alarms", "").Body.String()
	for _, want := range []string{"No instrument on this set shows 1 of 3 dangers:", "<li>carbon monoxide in the air</li>",
		"overspeed only by frequency: blind without excitation.", "<td>loss of oil pressure</td><td>oil pressure transmitter</td>"} {
		if !strings.Contains(body, want) {
			t.Errorf("%q is missing in:\n%s", want, body)
		}
	}
	if strings.Contains(body, "Not seen now") {
		t.Errorf("a healthy set is called blind:\n%s", body)
	}
	s.snap.Alarms = []model.AlarmStatus{{Rule: model.AlarmRule{ID: "oil.pressure.low"}, State: model.AlarmNormal, Why: "sensor failed"}}
	body = ask(serve(s, Options{}), "GET", "/alarms", "").Body.String()
	for _, want := range []string{"Not shown now: loss of oil pressure.", "oil pressure transmitter (not read now)"} {
		if !strings.Contains(body, want) {
			t.Errorf("%q is missing in:\n%s", want, body)
		}
	}
}
