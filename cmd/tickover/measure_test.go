package main

import (
	"context"
	"encoding/json"
	"io"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/config"
	"tickover/model"
	"tickover/model/plant"
)

// recorded carries a day on the simulated set through every step into a store.
func recorded(t *testing.T, day pastScript) (state string) {
	t.Helper()
	cfg, err := config.Parse("demo.yaml", demoConfig)
	if err != nil {
		t.Fatal(err)
	}
	cfg.StateDir, cfg.Setup.Simulated = t.TempDir(), true
	if err := pastDay(context.Background(), cfg, day, io.Discard); err != nil {
		t.Fatal(err)
	}
	return cfg.StateDir
}

// Each mistake on the simulated set, from the registers of its meter to what
// the command prints: the walk names it, the checks find it, and right wiring
// gives neither.
func TestWiringCommandNamesEachMistake(t *testing.T) {
	walks := map[string]string{
		"":                           "every current and voltage input is on its own phase, with the right polarity",
		"ct-l1-reversed":             "the current transformer on the input of L1 is reversed",
		"cts-all-reversed":           "all current transformers are reversed, or the meter uses the opposite sign",
		"cts-l1-l2-exchanged":        "the current transformers of L1 and L2 are swapped at the meter",
		"cts-exchanged-one-reversed": "the current transformers of L1 and L2 are swapped at the meter; the current transformer on the input of L1 is reversed",
		"cts-shifted":                "all current transformers are shifted by one phase: the input of L1 has the transformer of L2",
		"cts-shifted-back":           "all current transformers are shifted by one phase: the input of L1 has the transformer of L3",
		"cts-shifted-reversed":       "all current transformers are shifted by one phase: the input of L1 has the transformer of L2; all current transformers are reversed, or the meter uses the opposite sign",
		"voltages-l1-l2-exchanged":   "the voltage leads of L1 and L2 are swapped at the meter",
		"neutral-l2-exchanged":       "the voltage leads of L2 and N are swapped at the meter",
		"voltage-l3-open":            "the voltage lead or fuse of L3 is open",
	}
	for _, m := range append(plant.Mistakes(), plant.Mistake{Make: func(*plant.Plant) {}}) {
		t.Run("mistake "+m.Name, func(t *testing.T) {
			state := recorded(t, pastScript{plant.WalkDay, m.Make})
			found := findingsOf(t, must(t, "wiring", "--state", state, "--run", "1", "--json"))
			if (m.Name == "") != (found == "") {
				t.Errorf("the checks find %q", found)
			}
			if m.Name == "neutral-open" {
				if !strings.Contains(found, "C07") {
					t.Errorf("no open neutral in %q", found)
				}
				return
			}
			var walk api.Walk
			if err := json.Unmarshal([]byte(must(t, "wiring", "walk", "--state", state, "--run", "1", "--heater", "2 kW", "--json")), &walk); err != nil {
				t.Fatal(err)
			}
			if !walk.Complete || walk.Words != walks[m.Name] {
				t.Errorf("the walk says %q", walk.Words)
			}
			if m.Name != "" {
				return
			}
			for _, c := range walk.Checks { // the program's own walk is a good one in every respect
				if c.Code != "C20" && c.Outcome != "pass" { // the demonstration measures no neutral current
					t.Errorf("of right wiring: %+v", c)
				}
			}
		})
	}
}

func findingsOf(t *testing.T, list string) string {
	t.Helper()
	var rows []api.Check
	if err := json.Unmarshal([]byte(list), &rows); err != nil {
		t.Fatal(err)
	}
	if len(rows) < 35 {
		t.Errorf("only %d checks", len(rows))
	}
	var all []string
	for _, r := range rows {
		if r.Outcome == "finding" {
			all = append(all, r.Code+" "+r.Words)
		}
	}
	return strings.Join(all, "; ")
}

// Measured, refused, corrected, judged, carded and reported, on the files of a
// stopped logger.
func TestMeasureFromTheCommandToTheReport(t *testing.T) {
	state := recorded(t, pastScript{plant.WalkDay, func(*plant.Plant) {}})
	ir := func(extra ...string) []string {
		return append([]string{"measure", "insulation resistance", "U-E", "30 MΩ", "--state", state, "--who", "Marta"}, extra...)
	}
	warm := []string{"--with", "winding temperature=15 °C", "--ticked"}
	for name, args := range map[string][]string{
		"without temperature": ir("--ticked"),
		"ticks passed over":   ir("--with", "winding temperature=15 °C"),
		"in the future":       ir(append(warm, "--taken", "2999-01-01 10:00")...),
		"a wrong unit":        {"measure", "insulation resistance", "U-E", "30 V", "--state", state},
		"correcting nothing":  ir(append(warm, "--corrects", "99999")...),
	} {
		if code, out, stderr := call(t, args...); code != model.UsageFault || !strings.Contains(stderr, "hint") {
			t.Errorf("%s: code %d\n%s%s", name, code, out, stderr)
		}
	}
	if none := must(t, "measure", "list", "--state", state); !strings.HasPrefix(none, "no measurement by hand yet") {
		t.Errorf("with nothing measured: %q", none)
	}
	first := must(t, ir(warm...)...)
	if !strings.Contains(first, "insulation at 40 °C, halving rule: 5.303 MΩ") || !strings.Contains(first, "thermosetting formula: 21.24 MΩ") {
		t.Errorf("told:\n%s", first)
	}
	must(t, "measure", "insulation resistance", "U-E", "60 MΩ", "--state", state, "--with", "winding temperature=20 °C", "--ticked", "--stage", "after", "--instrument", "tester 12, calibrated 2020-03", "--taken", "2025-03-01 10:00")
	if said := must(t, "measure", "fact", "engine serial number", "E-99", "--state", state); said != "saved\n" {
		t.Errorf("of a fact that was kept: %q", said)
	}
	must(t, "wiring", "walk", "--state", state, "--run", "1", "--heater", "2 kW", "--keep")
	list := must(t, "measure", "list", "--state", state)
	if !strings.Contains(list, "before: 30.00 MΩ") || !strings.Contains(list, "after: 60.00 MΩ") || !strings.Contains(list, "its calibration of 2020-03-31 is older than 12 months") {
		t.Errorf("listed:\n%s", list)
	}
	if card := must(t, "measure", "card", "--state", state); !strings.Contains(card, "E-99") || strings.Contains(card, "LP-0417") {
		t.Errorf("card:\n%s", card)
	}
	for _, format := range []string{"text", "json", "html"} {
		report := must(t, "report", "--state", state, "1", "--format", format)
		for _, want := range []string{"E-99", "one-heater walk", "its calibration of 2020-03-31 is older than 12 months",
			"Not monitored: no instrument shows carbon monoxide."} {
			if !strings.Contains(report, want) {
				t.Errorf("the %s report lacks %q", format, want)
			}
		}
	}
}

// A tank dipped before and after a run, entered when the next run is long over:
// the report of the run makes litres per kWh of it.
func TestFuelFromTheCommandToTheReport(t *testing.T) {
	state := recorded(t, pastScript{shortLoad, func(*plant.Plant) {}})
	var runs []struct{ Started time.Time }
	if err := json.Unmarshal([]byte(must(t, "runs", "--state", state, "--json")), &runs); err != nil || len(runs) == 0 {
		t.Fatalf("%v, %d runs", err, len(runs))
	}
	dip := func(kind, volume string, at time.Time, more ...string) {
		must(t, append([]string{"measure", kind, "tank", volume, "--state", state, "--taken", at.Format(time.RFC3339)}, more...)...)
	}
	dip("fuel dip", "100 L", runs[0].Started.Add(-time.Minute), "--with", "resolution=0.5 L")
	dip("fuel added", "20 L", runs[0].Started.Add(time.Minute))
	dip("fuel dip", "105 L", runs[0].Started.Add(20*time.Minute), "--with", "resolution=0.5 L")
	var rec struct {
		Figures []struct {
			Name               string
			Value, Uncertainty *float64
			Note, Reason       string
		}
	}
	if err := json.Unmarshal([]byte(must(t, "report", "--state", state, "1", "--format", "json")), &rec); err != nil {
		t.Fatal(err)
	}
	for _, f := range rec.Figures {
		if f.Name != "fuel per kWh" {
			continue
		}
		// 15 L, good for a litre: the uncertainty is a fifteenth of the value, and what the
		// energy may be off comes on top.
		if f.Value == nil || f.Uncertainty == nil || 15**f.Uncertainty < *f.Value || *f.Uncertainty > 0.2**f.Value || !strings.HasPrefix(f.Note, "15 L for ") {
			t.Errorf("%+v", f)
		}
		return
	}
	t.Error("no fuel per kWh")
}

// shortLoad is a run that delivers somewhat more than 1 kWh.
func shortLoad() ([]plant.Action, time.Duration) {
	at := func(s int, do func(*plant.Plant)) plant.Action {
		return plant.Action{At: time.Duration(s) * time.Second, Do: do}
	}
	return []plant.Action{
		at(0, func(p *plant.Plant) { p.LoadAll(0, 1) }),
		at(30, func(p *plant.Plant) { p.Key(true) }),
		at(40, func(p *plant.Plant) { p.Crank(true) }),
		at(44, func(p *plant.Plant) { p.Crank(false) }),
		at(80, func(p *plant.Plant) { p.LoadAll(36e3, 0.9) }),
		at(230, func(p *plant.Plant) { p.LoadAll(0, 1) }),
		at(250, func(p *plant.Plant) { p.Key(false) }),
	}, 400 * time.Second
}
