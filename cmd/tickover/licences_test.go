package main

import (
	"debug/buildinfo"
	"os/exec"
	"strings"
	"testing"
)

// What the packages carry: the licence of every module that is linked in, and
// of the standard library.
func TestPackagesCarryEveryLicence(t *testing.T) {
	linked, err := buildinfo.ReadFile(program(t))
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("bash", "../../deploy/deb/licences", program(t)).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	parts := map[string]string{}
	for part := range strings.SplitSeq(string(out), "\n==== ") {
		head, body, _ := strings.Cut(part, "\n")
		name, _, _ := strings.Cut(head, ",")
		parts[name] += body
	}
	if len(linked.Deps) < 20 || len(parts) < len(linked.Deps) {
		t.Fatalf("%d modules are linked in, %d licences printed", len(linked.Deps), len(parts))
	}
	for _, m := range linked.Deps {
		if body := parts[m.Path+" "+m.Version]; !strings.Contains(strings.ToLower(body), "copyright") && !strings.Contains(body, "Apache License") {
			t.Errorf("%s %s: %q", m.Path, m.Version, body)
		}
	}
	if !strings.Contains(parts["the Go standard library"], "Copyright 2009 The Go Authors") {
		t.Error("the standard library's is missing")
	}
}
