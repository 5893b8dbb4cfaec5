package main

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"tickover/collector/slave"
	"tickover/model"
)

// everyTable is a configuration with a meter whose chain of models is to be
// found and a unit that has points in all four tables.
const everyTable = `
set:
  name: Hatchery
state dir: %s
lines:
  - name: skid
    serial: %s
devices:
  - name: meter
    line: skid
    unit: 3
    profile: sunspec 203
  - name: adapter
    line: skid
    unit: 7
    every: 100 ms
    points:
      - {point: a.holding, quantity: count, register: holding 0}
      - {point: a.input, quantity: count, register: input 0}
      - {point: a.coil, quantity: state, register: coil 0}
      - {point: a.discrete, quantity: state, register: discrete 0}
`

// TestEveryCommandOnlyReads has a slave record what survey, peek and the
// daemon send it, the walk along a chain of models included: functions 01 to
// 04 and 2B/0E, each of them, and nothing else.
func TestEveryCommandOnlyReads(t *testing.T) {
	bank, log := newSkid(), &slave.Log{}
	for table := range model.Table(4) {
		bank.Set(7, table, 0, 1)
	}
	path, file := plugIn(t, bank, log), filepath.Join(t.TempDir(), "c.yaml")
	if err := os.WriteFile(file, fmt.Appendf(nil, everyTable, t.TempDir(), path), 0o600); err != nil {
		t.Fatal(err)
	}
	heard := 0
	functions := func(what string, want ...byte) {
		t.Helper()
		all, got := log.Requests(), map[byte]bool{}
		for _, r := range all[heard:] {
			got[r.Function] = true
		}
		if seen := slices.Sorted(maps.Keys(got)); !slices.Equal(seen, want) || len(log.Violations()) > 0 {
			t.Errorf("%s sent functions % X, want % X; no reads: %v", what, seen, want, log.Violations())
		}
		heard = len(all)
	}
	walked := func(r slave.Request) bool { return r.Unit == 3 && r.Address == 40070 && r.Count == 2 }
	must(t, "survey", "--serial", path, "--units", "3,7,9", "--bauds", "19200", "--parities", "even", "--timeout", "250ms")
	functions("survey", 0x03, 0x04, 0x2B)
	must(t, "peek", "--config", file)
	if !slices.ContainsFunc(log.Requests()[heard:], walked) {
		t.Error("peek did not walk along the chain of models")
	}
	functions("peek", 0x01, 0x02, 0x03, 0x04)
	for _, table := range []string{"holding", "input", "coil", "discrete"} {
		must(t, "peek", "--config", file, "--unit", "7", "--table", table, "--count", "1", "--raw")
	}
	functions("peek --raw", 0x01, 0x02, 0x03, 0x04)
	stop := startDaemon(t, file)
	waitFor(t, "questions of the daemon's", func() bool { return len(log.Requests()) > heard+12 })
	stop()
	functions("run", 0x01, 0x02, 0x03, 0x04)
}
