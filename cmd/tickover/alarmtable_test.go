package main

import (
	"strings"
	"testing"

	"tickover/model"
	"tickover/model/plant"
	"tickover/testdata/golden"
)

// The published table of alarms is what the code says, and every row has what
// to do and why.
func TestTheTableOfAlarmsIsCurrent(t *testing.T) {
	var b strings.Builder
	if err := writeAlarmTable(&b, plant.HatcheryRating(), wholeSet()); err != nil {
		t.Fatal(err)
	}
	golden.Holds(t, "../../deploy/alarms.md", b.String())
	rows := 0
	for line := range strings.Lines(b.String()) {
		if !strings.HasPrefix(line, "| `") {
			continue
		}
		rows++
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if len(cells) != 9 {
			t.Errorf("%d cells in %s", len(cells), line)
			continue
		}
		if strings.Contains(line, "not stated") {
			t.Errorf("nothing says who or what is harmed in %s", line)
		}
		for i, c := range cells {
			if strings.TrimSpace(c) == "" {
				t.Errorf("cell %d is empty in %s", i, line)
			}
		}
	}
	if rows < 60 {
		t.Errorf("only %d rows", rows)
	}
}

// The head of the table names the set whose limits it lists.
func TestTheTableOfAlarmsNamesItsSet(t *testing.T) {
	for want, r := range map[string]model.Rating{
		"The limits here are for\na 20 kVA, 480 V, 60 Hz set with a 24 V battery. The": {ApparentPower: 20e3, Voltage: 480, Frequency: 60, Battery: 24},
		"The limits here are for\na 12.5 kVA set. The":                                 {ApparentPower: 12.5e3},
		"The limits here are for\na set whose nameplate is not given. The":             {},
	} {
		var b strings.Builder
		if err := writeAlarmTable(&b, r, nil); err != nil || !strings.Contains(b.String(), want) {
			t.Errorf("%v: want %q in\n%s", err, want, b.String())
		}
	}
}
