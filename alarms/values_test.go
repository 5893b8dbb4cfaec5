package alarms

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/model"
	"tickover/testdata/golden"
	"tickover/testdata/reference"
)

// Every constant of every standard rule is what the table says. The table is
// kept by hand against the sources of the rules, not recorded with -update: who
// changes a limit, a delay or a deadband changes it there as well.
func TestEveryStandardRuleHasTheValuesOfTheTable(t *testing.T) {
	all, seen := sets(), map[string]bool{}
	for _, row := range reference.Table(t, "values.csv", golden.Text(t, casesFolder+"values.csv")) {
		set, id := row["set"], row["rule"]
		i := slices.IndexFunc(all[set], func(r model.AlarmRule) bool { return r.ID == id })
		if i < 0 {
			t.Errorf("the set %s has no rule %s", set, id)
			continue
		}
		seen[set+" "+id] = true
		for column, is := range valuesOf(all[set][i]) {
			if want := row[column]; is != want {
				t.Errorf("%s of %s, set %s: %s is %q, want %q", column, id, set, column, is, want)
			}
		}
	}
	for set, rules := range all {
		for _, r := range rules {
			same := slices.ContainsFunc(all["four-wire"], func(o model.AlarmRule) bool {
				return o.ID == r.ID && fmt.Sprint(valuesOf(o)) == fmt.Sprint(valuesOf(r))
			})
			if !seen[set+" "+r.ID] && (set == "four-wire" || !same) {
				t.Errorf("the table lacks %s of the set %s: %v", r.ID, set, valuesOf(r))
			}
		}
	}
}

// valuesOf writes the constants of a rule by the columns of the table, in canonical
// units and as people write durations.
func valuesOf(r model.AlarmRule) map[string]string {
	points := []string{cmp.Or(string(r.Point), r.Device)}
	if len(r.Points) > 0 {
		points = nil
		for _, p := range r.Points {
			points = append(points, string(p))
		}
	}
	joint := map[bool]string{true: " and ", false: " or "}[r.AllOf]
	limit := fmt.Sprintf("%.6g", r.Limit)
	if r.Low != 0 || r.Kind == model.OutsideBand {
		limit = fmt.Sprintf("%.6g..%.6g", r.Low, r.Limit)
	}
	return map[string]string{
		"judges": strings.Join(points, joint), "kind": r.Kind.String(), "limit": limit,
		"deadband": fmt.Sprintf("%.6g", r.Deadband),
		"on":       r.OnDelay.String(), "off": r.OffDelay.String(), "armed": armedIn(r),
		"more": moreOf(r),
	}
}

// armedIn writes the engine states by a letter each: standstill s, cranking c,
// running up u, idling i, unloaded n, loaded l, running down d.
func armedIn(r model.AlarmRule) string {
	if len(r.ArmedIn) == 0 {
		return "always"
	}
	letters := ""
	for _, s := range r.ArmedIn {
		letters += string("?scuinld"[s])
	}
	if r.ArmDelay > 0 {
		letters += " after " + r.ArmDelay.String()
	}
	return letters
}

func moreOf(r model.AlarmRule) string {
	var words []string
	add := func(is bool, format string, v ...any) {
		if is {
			words = append(words, fmt.Sprintf(format, v...))
		}
	}
	side := func(c model.AlarmCondition) string {
		return fmt.Sprintf("%s %s %.6g", c.Point, map[bool]string{true: "<", false: ">"}[c.Below],
			c.Limit)
	}
	add(r.Latch, "latches")
	add(r.GoodOnce, "good once")
	add(r.PerSpeed, "per speed")
	add(r.Window > 0, "window %s", r.Window)
	add(r.While.Point != "", "while %s", side(r.While))
	add(r.Regardless != 0, "regardless %.6g", r.Regardless)
	add(r.Unless.Point != "", "unless %s", side(r.Unless))
	add(r.Steady != "", "steady %s %.6g", r.Steady, r.SteadyWithin)
	add(r.Cold != "", "cold %s", r.Cold)
	add(r.Like != "", "like %s", r.Like)
	add(r.DarkMeter, "dark meter")
	add(r.Remind > 0, "reminds %s", r.Remind)
	return strings.Join(words, "; ")
}

// The whole of a duration is written, so that a second is not lost in rounding.
func TestValuesAreWrittenInFull(t *testing.T) {
	r := model.AlarmRule{Point: "p", Limit: 1, OnDelay: 1500 * time.Millisecond, ArmedIn: onOwnFuel,
		ArmDelay: 8 * time.Second}
	if v := valuesOf(r); v["on"] != "1.5s" || v["armed"] != "uinl after 8s" {
		t.Errorf("%v", v)
	}
}
