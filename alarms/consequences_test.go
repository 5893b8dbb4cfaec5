package alarms

import (
	"regexp"
	"testing"
	"time"

	"tickover/model"
)

var harmed = regexp.MustCompile(`^(people|engine|alternator|load|monitoring|none): [a-z]`)

// Every standard rule says who or what is harmed and how soon, and its priority
// follows from that: critical only where people, engine or alternator are harmed
// within a minute.
func TestEveryStandardRuleIsJustified(t *testing.T) {
	for name, rules := range sets() {
		for _, r := range rules {
			want := model.Warning
			switch {
			case r.TimeToAct == 0 || r.TimeToAct > time.Hour:
				want = model.Information
			case r.TimeToAct <= time.Minute:
				want = model.Critical
			}
			who := harmed.FindStringSubmatch(r.Consequence)
			switch {
			case who == nil:
				t.Errorf("%s: %s does not say who or what is harmed: %q", name, r.ID, r.Consequence)
			case r.Priority != want:
				t.Errorf("%s: %s is %s with %s to act, want %s", name, r.ID, r.Priority,
					r.TimeToAct, want)
			case r.Priority == model.Critical &&
				(who[1] == "load" || who[1] == "monitoring" || who[1] == "none"):
				t.Errorf("%s: %s is critical for %q", name, r.ID, r.Consequence)
			}
		}
	}
}

// The alarm-management standards want few critical alarms (about 5 % critical, 15 %
// warning, 80 % information; ISA-18.2, from memory): of a fully instrumented set
// 5 to 20 % of the rules and 20 at most, and more information than warnings.
func TestFewRulesAreCriticalAndMostAreInformation(t *testing.T) {
	count := map[model.Priority]int{}
	all := whole()
	for _, r := range all {
		count[r.Priority]++
	}
	share := float64(count[model.Critical]) / float64(len(all))
	if count[model.Critical] > 20 || share < 0.05 || share > 0.20 {
		t.Errorf("%d of %d rules are critical", count[model.Critical], len(all))
	}
	if count[model.Information] <= count[model.Warning] {
		t.Errorf("%d rules are warnings, %d information", count[model.Warning],
			count[model.Information])
	}
}

// The time that makes a priority, at its edge.
func TestPriorityFollowsTheTimeToAct(t *testing.T) {
	for act, want := range map[time.Duration]model.Priority{
		time.Second: model.Critical, 60 * time.Second: model.Critical,
		61 * time.Second: model.Warning,
		60 * time.Minute: model.Warning, 61 * time.Minute: model.Information, 0: model.Information,
	} {
		if got := (consequence{"", act}).priority(); got != want {
			t.Errorf("%s to act is %s, want %s", act, got, want)
		}
	}
}

// A rule with a stake that no set has would be left behind when a rule is renamed.
func TestEveryStakeIsOfARule(t *testing.T) {
	used := map[string]bool{}
	for _, rules := range sets() {
		for _, r := range rules {
			if _, ok := consequences[r.ID]; ok {
				used[r.ID] = true
			}
		}
	}
	for id := range consequences {
		if id[0] != '.' && !used[id] {
			t.Errorf("no standard rule is called %s", id)
		}
	}
}
