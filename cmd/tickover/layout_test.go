package main

import (
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// allowed is the table of imports between our rooms, with the reason for each
// row. A package that is not in the table may not exist.
var allowed = []struct {
	room string
	may  []string
	why  string
}{
	{"model", nil, "the words of the trade stand alone, so that every room can speak them"},
	{"model/electrical", []string{"model"}, "arithmetic on words"},
	{"model/transducer", []string{"model"}, "arithmetic on words"},
	{"model/running", []string{"model", "model/transducer", "model/electrical"}, "a later floor may stand on earlier ones"},
	{"model/steady", []string{"model"}, "the live judgement works on scans alone"},
	{"model/performance", []string{"model", "model/electrical", "model/running", "model/steady"}, "figures need runs and sequence components"},
	{"model/winding", []string{"model"}, "arithmetic on hand measurements"},
	{"model/wiring", []string{"model", "model/electrical", "model/transducer"}, "wiring mistakes show in electrical figures"},
	{"model/plant", []string{"model"}, "the simulated set knows nothing of those who watch it"},
	{"alarms", []string{"model"}, "the second pair of eyes decides on scans alone: no clock, no disk, no net"},
	{"alarms/notify", []string{"model"}, "telling people must not reach back into deciding"},
	{"config", []string{"model"}, "a checked definition is words, not running parts"},
	{"collector", []string{"model"}, "it sees its neighbours as small interfaces"},
	{"collector/line", []string{"model"}, "a line answers reads and knows nothing of what they mean"},
	{"collector/slave", []string{"model"}, "the other end of the wire must not share code with this end"},
	{"collector/store", []string{"model"}, "the store keeps words, whoever says them"},
	{"collector/host", []string{"model"}, "the computer's own facts are words like any other"},
	{"collector/metrics", []string{"model"}, "it shows a snapshot and nothing else"},
	{"collector/forward", []string{"model"}, "it forwards what the store yields through an interface"},
	{"cmd/tickover/api", []string{"model"}, "what page, socket, commands and --json say to each other"},
	{"cmd/tickover/chart", []string{"model"}, "a drawing knows nothing of who hangs it up"},
	{"cmd/tickover/page", []string{"model", "model/performance", "cmd/tickover/api", "cmd/tickover/chart"}, "the page asks one small interface, judges by the report's limit sets, and draws as the report does"},
	{"cmd/tickover/report", []string{"model", "cmd/tickover/chart"}, "a report is a record made readable, and draws as the page does"},
	{"cmd/tickover/record", []string{"model", "model/electrical", "model/performance", "model/running",
		"model/transducer", "model/winding", "model/wiring", "alarms", "collector", "collector/metrics",
		"collector/store", "cmd/tickover/api", "cmd/tickover/report"},
		"it answers from the store, or from the running carrier, with the arithmetic of the model"},
	{"cmd/tickover/client", []string{"model", "collector/store", "cmd/tickover/api", "cmd/tickover/page",
		"cmd/tickover/record"}, "it asks the daemon, or answers from the files as the daemon would"},
	{"cmd/tickover/daemon", []string{"*"}, "it starts and stops everything that runs"},
	{"cmd/tickover", []string{"*"}, "only the command wires everything"},
}

type goPackage struct {
	ImportPath string
	Imports    []string
}

func TestImportsKeepTheLayout(t *testing.T) {
	rows := map[string][]string{}
	for _, row := range allowed {
		rows[row.room] = row.may
	}
	packages := ourPackages(t)
	if len(packages) < 5 {
		t.Fatalf("go list saw %d packages; the test would prove nothing", len(packages))
	}
	for _, p := range packages {
		room := strings.TrimPrefix(p.ImportPath, "tickover/")
		may, known := rows[room]
		if !known {
			t.Errorf("%s stands in no row of the table: give it one, with the reason", room)
			continue
		}
		delete(rows, room)
		for _, i := range p.Imports {
			if ours, ok := strings.CutPrefix(i, "tickover/"); ok && !slices.Contains(may, ours) && !slices.Contains(may, "*") {
				t.Errorf("%s imports %s; it may import %v, because: %s", room, ours, may, reason(room))
			}
		}
	}
	for room := range rows {
		t.Errorf("the table has a row for %s, which does not exist", room)
	}
}

// model computes; what reaches outside the program stays out of it.
func TestModelReachesNothing(t *testing.T) {
	for _, p := range ourPackages(t) {
		if p.ImportPath != "tickover/model" && p.ImportPath != "tickover/alarms" {
			continue
		}
		for _, i := range p.Imports {
			if i == "os" || i == "context" || i == "log" || i == "log/slog" || i == "net" || strings.HasPrefix(i, "net/") ||
				strings.Contains(i, ".") {
				t.Errorf("%s imports %s", p.ImportPath, i)
			}
		}
	}
}

func reason(room string) string {
	for _, row := range allowed {
		if row.room == room {
			return row.why
		}
	}
	return ""
}

func ourPackages(t *testing.T) []goPackage {
	t.Helper()
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports", "tickover/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []goPackage
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p goPackage
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

// The documents list every room and every command there is.
func TestTheDocumentsListEverything(t *testing.T) {
	developers, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range allowed {
		if !strings.Contains(string(developers), "| `"+row.room+"` |") {
			t.Errorf("DEVELOPERS.md has no row for %s", row.room)
		}
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	commands := 0
	for line := range strings.Lines(must(t, "--help")) {
		words := strings.Fields(line)
		if !strings.HasPrefix(line, "  ") || strings.HasPrefix(line, "   ") || len(words) == 0 || strings.HasPrefix(words[0], "-") {
			continue
		}
		name := words[0]
		if len(words) > 1 && strings.ToLower(words[1][:1]) == words[1][:1] && words[1][0] >= 'a' {
			name += " " + words[1]
		}
		commands++
		alone := "`" + name + "`"
		if _, last, ok := strings.Cut(name, "alarms "); ok && strings.Contains(string(readme), "`alarms ack\\|reset\\|shelve\\|unshelve\\|out-of-service\\|in-service`") &&
			slices.Contains([]string{"list", "ack", "reset", "shelve", "unshelve", "out-of-service", "in-service"}, last) {
			continue
		}
		if !strings.Contains(string(readme), alone) {
			t.Errorf("README.md has no row for %s", name)
		}
	}
	if commands < 20 {
		t.Errorf("--help lists %d commands; the test would prove nothing", commands)
	}
}
