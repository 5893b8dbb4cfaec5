package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tickover/config"
	"tickover/model"
)

// A survey and a few flags give a configuration that check accepts.
func TestInitWritesACheckedConfiguration(t *testing.T) {
	folder := t.TempDir()
	survey, err := json.Marshal([]found{
		{Unit: 3, Baud: 9600, Parity: "none", StopBits: 1, Answer: "plain", SunSpec: []uint16{1, 203}, Base: 40000},
		{Unit: 7, Baud: 9600, Parity: "none", Answer: "plain", Identity: &model.Identity{Vendor: "two\nlines: 7"}},
		{Unit: 9, Baud: 19200, Parity: "even", Answer: "plain", SunSpec: []uint16{203}},
	})
	if err != nil {
		t.Fatal(err)
	}
	output := filepath.Join(folder, "tickover.yaml")
	args := []string{"init", "--output", output, "--survey", write(t, folder, "survey.json", string(survey)), "--serial", "/dev/rs485/A: #1",
		"--name", `The "old" set: pump`, "--apparent-power", "50 kVA", "--voltage", "400 V", "--frequency", "50 Hz", "--poles", "4", "--battery", "12 V"}
	if out := must(t, args...); !strings.Contains(out, "NOT DETECTED") || !strings.Contains(out, "fit an oil pressure transmitter, or a contact of the switch") {
		t.Errorf("a set with a meter alone is not called blind:\n%s", out)
	}
	cfg, err := config.Load(output)
	if err != nil {
		t.Fatalf("\n%v", err)
	}
	r := cfg.Setup.Rating
	if r.Name != `The "old" set: pump` || r.ApparentPower != 50e3 || r.Voltage != 400 || r.Frequency != 50 || r.Poles != 4 || r.Battery != 12 {
		t.Errorf("the rating is %+v", r)
	}
	if l := cfg.Setup.Lines; len(l) != 1 || l[0].Address != "/dev/rs485/A: #1" || l[0].Baud != 9600 || l[0].Parity != model.NoParity || l[0].StopBits != 1 {
		t.Errorf("the lines are %+v", l)
	}
	if d := cfg.Setup.Devices; len(d) != 1 || d[0].Unit != 3 || d[0].Chain == nil {
		t.Errorf("the devices are %+v", d)
	}
	text, _ := os.ReadFile(output)
	for _, want := range []string{"# Unit 7 answers", "# Unit 9 answers at 19200"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if code, _, said := call(t, args...); code != model.UsageFault || !strings.Contains(said, "--force") {
		t.Errorf("written over without a word: %d\n%s", code, said)
	}
	must(t, append(args, "--force")...)
	if old, err := os.ReadFile(output + ".old"); err != nil || string(old) != string(text) {
		t.Errorf("the old configuration is not kept: %v", err)
	}
}

func TestInitAnswersAndMistakes(t *testing.T) {
	c := initCommand{Voltage: "400 V"}
	var asked strings.Builder
	if err := c.ask(strings.NewReader("Pump set\n\n50 kVA\n50 Hz\n"), &asked); err != nil {
		t.Fatal(err)
	}
	if c.Name != "Pump set" || c.Site != "" || c.ApparentPower != "50 kVA" || c.Frequency != "50 Hz" || c.Voltage != "400 V" {
		t.Errorf("after the answers: %+v", c)
	}
	if strings.Contains(asked.String(), "Voltage") {
		t.Error("asked for what a flag gave")
	}
	guidedFirst := guided(t)
	must(t, "init", "--output", guidedFirst, "--name", "x") // the package's first file may be replaced
	for _, bad := range []struct {
		says string
		args []string
	}{
		{"unit is missing", []string{"--voltage", "400"}},
		{"survey --json", []string{"--survey", guidedFirst, "--serial", "/dev/x"}},
		{"which line", []string{"--survey", write(t, t.TempDir(), "s.json", "[]")}},
	} {
		code, _, said := call(t, append([]string{"init", "--output", "-"}, bad.args...)...)
		if code != model.UsageFault || !strings.Contains(said, bad.says) {
			t.Errorf("%v: exit code %d, no %q in\n%s", bad.args, code, bad.says, said)
		}
	}
	if out := must(t, "init", "--output", "-", "--modbus-tcp", "gate:502"); !strings.Contains(out, "Nobody was found") {
		t.Errorf("without a survey it writes\n%s", out)
	}
}
