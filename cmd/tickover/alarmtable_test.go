package main

import (
	"strings"
	"testing"

	"tickover/testdata/golden"
)

// The published table of alarms is what the code says, and every row has what
// to do and why.
func TestTheTableOfAlarmsIsCurrent(t *testing.T) {
	var b strings.Builder
	if err := writeAlarmTable(&b, wholeSet()); err != nil {
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
		if len(cells) != 8 {
			t.Errorf("%d cells in %s", len(cells), line)
			continue
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
