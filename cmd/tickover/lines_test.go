package main

import (
	"strings"
	"testing"

	"tickover/cmd/tickover/api"
)

func TestLinesTellWhatADriverLacks(t *testing.T) {
	var out strings.Builder
	l := api.Line{Line: "skid", Open: true, Lacks: []string{"low latency: this port's driver has no such setting"}}
	if err := printLine(&out, l); err != nil || !strings.Contains(out.String(), "\n  low latency: this port's driver") {
		t.Errorf("%v, got\n%s", err, out.String())
	}
}
