package main

import (
	"flag"
	"os"
	"strings"
	"testing"
)

var updateTable = flag.Bool("update-alarms", false, "write deploy/alarms.md anew")

// The published table of alarms is what the code says, and every row has what
// to do and why.
func TestTheTableOfAlarmsIsCurrent(t *testing.T) {
	const file = "../../deploy/alarms.md"
	var b strings.Builder
	if err := writeAlarmTable(&b, wholeSet()); err != nil {
		t.Fatal(err)
	}
	if *updateTable {
		if err := os.WriteFile(file, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	was, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if string(was) != b.String() {
		t.Error("deploy/alarms.md is not what the code says; run go test ./cmd/tickover -run TableOfAlarms -update-alarms")
	}
	rows := 0
	for line := range strings.Lines(b.String()) {
		if !strings.HasPrefix(line, "| `") {
			continue
		}
		rows++
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if len(cells) != 7 {
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
