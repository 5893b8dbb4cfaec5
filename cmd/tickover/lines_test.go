package main

import (
	"strings"
	"testing"
)

func TestLinesTellWhatADriverLacks(t *testing.T) {
	var out strings.Builder
	l := lineRow{Line: "skid", Open: true, Lacks: []string{"low latency: this port's driver has no such setting"}}
	if err := l.print(&out); err != nil || !strings.Contains(out.String(), "\n  low latency: this port's driver") {
		t.Errorf("%v, got\n%s", err, out.String())
	}
}
