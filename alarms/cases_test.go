package alarms

import (
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/model"
	"tickover/testdata/golden"
	"tickover/testdata/reference"
)

const casesFolder = "../testdata/alarms/standard/"

// readings are what a healthy set shows, a line for each point.
func readings(t *testing.T) []reference.Row {
	return reference.Table(t, "healthy.csv", golden.Text(t, casesFolder+"healthy.csv"))
}

// sets are the standard rules of the sets that the cases are about.
func sets() map[string][]model.AlarmRule {
	with := func(change func(*model.Rating)) []model.AlarmRule {
		r := rated
		change(&r)
		return rulesFor(r, everyPoint()...)
	}
	return map[string][]model.AlarmRule{"four-wire": whole(), "three-wire": threeWire(),
		"G2":      with(func(r *model.Rating) { r.Class = "G2" }),
		"droop-4": with(func(r *model.Rating) { r.Droop = 0.04 }),
		"warm-thermostat": with(func(r *model.Rating) {
			r.ThermostatOpens,
				r.ThermostatFullOpen = 88, 92
		}),
		"overload-hour":  with(func(r *model.Rating) { r.OverloadHour = true }),
		"third-on-one":   with(func(r *model.Rating) { r.Unbalance = 0.34 }),
		"lever-stop":     with(func(r *model.Rating) { r.StoppedBy = model.ByLever }),
		"frequency-only": rulesOf(model.FrequencyPoint),
		"oil-switch": rulesOf(append(model.PhaseVoltages[:], model.FrequencyPoint,
			model.SpeedPoint, model.OilSwitch)...),
		"meter": rulesOf(slices.Concat(model.PhaseVoltages[:], model.PhaseCurrents[:],
			[]model.PointID{model.FrequencyPoint, model.PowerActive})...),
		"card": with(func(r *model.Rating) {
			r.OverloadHour, r.ExhaustLimit, r.BearingLimit, r.Insulation, r.Overspeed = true, 520,
				85, model.InsulationF, 1725.0/60
		}),
		"dry-out": with(func(r *model.Rating) { r.ExcitationOff = true }),
	}
}

// Every standard rule fires in some case, at the time that its limit and delay
// ask for, and stays quiet in another that comes near it. The cases say so
// themselves; what else happened in them is recorded.
func TestEveryStandardRuleFiresAndNearlyDoes(t *testing.T) {
	files, err := filepath.Glob(casesFolder + "*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no cases found: %v", err)
	}
	fires, misses := map[string]bool{}, map[string]bool{}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			head, rest, _ := strings.Cut(golden.Text(t, file), "\ncase ")
			if !strings.HasPrefix(head, "# Proves") {
				t.Error("the file does not open with what it proves")
			}
			is := head
			for text := range strings.SplitSeq(rest, "\ncase ") {
				c := readCase(t, text)
				is += "\ncase " + c.hold(t) + "\n"
				for _, e := range c.expected {
					if e.near == "" {
						fires[e.rule] = true
					} else {
						misses[e.rule] = true
					}
				}
			}
			golden.Holds(t, file, is)
		})
	}
	for _, rules := range sets() {
		for _, r := range rules {
			if !fires[r.ID] || !misses[r.ID] {
				t.Errorf("%s fires in a case: %v; nearly does in a case: %v", r.ID, fires[r.ID],
					misses[r.ID])
			}
		}
	}
}

// caseOf is one case: a short time of one set, and what is expected of it.
type caseOf struct {
	text     string
	set      string
	expected []expectation
}

// expectation is that a rule fires, or that it does not though it is near to.
type expectation struct {
	rule     string
	priority string
	at       time.Duration
	near     string // its limit, delay, arming or condition, which alone keeps it quiet
}

// readCase reads the lines "set three-wire", "expect RULE critical at 13s" and
// "expect RULE never, near its limit".
func readCase(t *testing.T, text string) caseOf {
	c := caseOf{text: text, set: "four-wire"}
	for line := range strings.Lines(text) {
		f := strings.Fields(line)
		switch {
		case len(f) == 2 && f[0] == "set":
			c.set = f[1]
		case len(f) == 6 && f[0] == "expect" && f[2] == "never,":
			c.expected = append(c.expected, expectation{rule: f[1], near: f[5]})
		case len(f) == 5 && f[0] == "expect":
			at, err := time.ParseDuration(f[4])
			if err != nil {
				t.Fatal(err)
			}
			c.expected = append(c.expected, expectation{rule: f[1], priority: f[2], at: at})
		}
	}
	if len(c.expected) == 0 {
		t.Fatalf("nothing is expected of the case %q", text)
	}
	return c
}

// hold plays the case, holds it against what is expected of it, and returns
// its text as it would be recorded now.
func (c caseOf) hold(t *testing.T) string {
	is, raised := c.play(t, sets()[c.set])
	title, _, _ := strings.Cut(c.text, "\n")
	for _, e := range c.expected {
		got, fired := raised[e.rule]
		if e.near == "" {
			if !fired || got.At.Offset != e.at || got.Priority.String() != e.priority {
				t.Errorf("%s: %s is expected as %s at %s; fired %v, %s at %s", title, e.rule,
					e.priority, e.at, fired, got.Priority, got.At)
			}
			continue
		}
		if fired {
			t.Errorf("%s: %s fires at %s, and is expected to stay quiet", title, e.rule, got.At)
		}
		if _, raised := c.play(t, nearer(t, sets()[c.set], e)); raised[e.rule].Rule == "" {
			t.Errorf("%s: %s stays quiet even without its %s, or with it a twentieth nearer: it "+
				"is no near miss", title, e.rule, e.near)
		}
	}
	return is
}

// play returns what a case records and the first raising of each alarm.
func (c caseOf) play(t *testing.T, rules []model.AlarmRule) (is string,
	raised map[string]model.AlarmEvent) {
	s := newStage(t)
	s.machine, s.calm = New(rules), true
	title, steps, _ := strings.Cut(c.text, "\n")
	is = strings.TrimSuffix(title+"\n"+s.play(steps), "\n")
	raised = map[string]model.AlarmEvent{}
	for _, e := range slices.Backward(s.journal) {
		if e.To == model.AlarmUnacknowledged && e.From != e.To {
			raised[e.Rule] = e
		}
	}
	return is, raised
}

// nearer is the rules with the one that is nearly met brought nearer.
func nearer(t *testing.T, rules []model.AlarmRule, e expectation) []model.AlarmRule {
	i := slices.IndexFunc(rules, func(r model.AlarmRule) bool { return r.ID == e.rule })
	if i < 0 {
		t.Fatalf("there is no rule %s", e.rule)
	}
	r := &rules[i]
	switch e.near {
	case "limit":
		nearerLimit(r)
	case "delay":
		r.OnDelay -= max(time.Second, r.OnDelay/20)
		r.Window -= r.Window / 20 // of a sensor that is stuck
	case "arming":
		r.ArmedIn, r.ArmDelay, r.GoodOnce = nil, 0, false
	case "condition":
		r.While, r.Steady, r.Unless = model.AlarmCondition{}, "", model.AlarmCondition{}
	case "load":
		r.Like = ""
	default:
		t.Fatalf("%s cannot be near its %s", e.rule, e.near)
	}
	return rules
}

// nearerLimit brings a limit nearer by a twentieth, of a band its width, or by one of
// what is counted.
func nearerLimit(r *model.AlarmRule) {
	q, _ := model.KnownQuantity(r.Point)
	switch {
	case r.Kind == model.NeverMoves || q == model.Count:
		r.Limit--
	case r.Kind == model.OutsideBand:
		by := (r.Limit - r.Low) / 20
		r.Limit, r.Low = r.Limit-by, r.Low+by
	case r.Kind == model.BelowLimit || r.Kind == model.UsedUpWithin:
		r.Limit, r.Low = r.Limit+0.05*math.Abs(r.Limit), r.Low*1.05
	default:
		r.Limit *= 0.95
	}
}
