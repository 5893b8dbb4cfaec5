package main

import (
	"encoding/json"
	"strings"
	"testing"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// The indicators of the past day count what its journal holds, and say so in
// words and as JSON.
func TestAlarmStatsOfThePastDay(t *testing.T) {
	state := pastState(t)
	raised := 0
	src := openSource(t, state)
	for e, err := range src.Events(t.Context(), model.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if a := e.Alarm; a != nil && a.From != a.To && a.To == model.AlarmUnacknowledged {
			raised++
		}
	}
	if err := src.Store.Close(); err != nil {
		t.Fatal(err)
	}
	var stats api.AlarmStats
	if err := json.Unmarshal([]byte(must(t, "alarms", "--stats", "--json", "--state", state)), &stats); err != nil {
		t.Fatal(err)
	}
	if raised == 0 || stats.Raised != raised || stats.Spans < 11 || stats.Peak == nil || *stats.Peak != 0 || len(stats.Top) == 0 {
		t.Errorf("%d raised in the journal, the indicators say %+v", raised, stats)
	}
	text := must(t, "alarms", "--stats", "--state", state)
	for _, want := range []string{"1 raised in ", "announced in ten minutes: 0.00 on average", "in any ten minutes: 0 ", "with more than 10: 0 of 12", "Load unbalanced (current.negative.noted): once, 100 %", "24 h (from memory): none"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
}

// The list has what raised an alarm and what to do by hand; of one that is over
// it asks for the reset and commands nothing.
func TestTheListSaysWhatToDoWhileAnAlarmLasts(t *testing.T) {
	var out strings.Builder
	rows := []api.Alarm{{Rule: "oil.low", Label: "Oil pressure low", Priority: "critical", State: "unacknowledged", Text: "14:02:11 UTC fell to 0.39 bar (limit 0.40). Now 0.31 bar.", Action: "Stop the engine by hand."},
		{Rule: "hot", Label: "Coolant hot", Priority: "warning", State: "latched, unacknowledged", Text: "14:01:00 UTC rose to 105.0 °C (limit 103.0). Now 90.0 °C: back to normal.", Over: true}}
	if err := printAlarms(&out, rows); err != nil {
		t.Fatal(err)
	}
	const want = "\nOil pressure low: 14:02:11 UTC fell to 0.39 bar (limit 0.40). Now 0.31 bar.\n  Do now: Stop the engine by hand.\n" +
		"\nCoolant hot: 14:01:00 UTC rose to 105.0 °C (limit 103.0). Now 90.0 °C: back to normal.\n  Over. Reset it: tickover alarms reset hot --who NAME\n"
	if !strings.Contains(out.String(), want) {
		t.Errorf("%q is not in %s", want, out.String())
	}
}

func TestTheListMarksChatteringAndStaleAlarms(t *testing.T) {
	var out strings.Builder
	rows := []api.Alarm{{Rule: "a", State: "unacknowledged", Watching: true, Chatters: 4, Stale: 90000}, {Rule: "b", State: "normal", Watching: true}}
	if err := printAlarms(&out, rows); err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(out.String()), " ")
	for _, want := range []string{"unacknowledged, chattering: 4 changes in a minute, stale: active for 25 h yes", "b normal yes"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in %s", want, text)
		}
	}
}
