package main

import (
	"slices"
	"testing"

	"tickover/cmd/tickover/record"
	"tickover/model"
)

// What is connected wrong stands before all else that a report has found. Power that
// counts backwards is named once.
func TestAWiringFaultIsFoundFirst(t *testing.T) {
	checks := []model.Check{
		{Code: "C01", Outcome: model.Finding, Words: "meter answered 90 % of 1000 polls", Do: "look at plugs"},
		{Code: "C06", Outcome: model.Finding, Words: "phase voltages 230, 231, 4 V", Do: "the lead or fuse of L3 is open"},
		{Code: "C09", Outcome: model.Finding, Words: "the power of L1 is negative at a good power factor", Do: "turn that transformer"},
		{Code: "C10", Outcome: model.Pass, Words: "1.00"},
	}
	open := "Wiring: phase voltages 230, 231, 4 V (check C06): the lead or fuse of L3 is open."
	for name, c := range map[string]struct{ found, want []string }{
		"by the checks":   {[]string{"Ran 2 h."}, []string{open, "Wiring: the power of L1 is negative at a good power factor (check C09): turn that transformer."}},
		"also by figures": {[]string{"Wiring: the meter counts the power of L1 backwards.", "Ran 2 h."}, []string{open}},
	} {
		if got := record.WiringFound(&model.RunRecord{Findings: c.found, Wiring: checks}); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}
