package main

import (
	"strings"
	"testing"

	"tickover/cmd/tickover/record"
	"tickover/model"
)

// checked writes a configuration of points on one line at 9600 Bd and checks it.
func checked(t *testing.T, points ...string) (out string) {
	t.Helper()
	text := "set: {name: x}\nlines: [{name: bus, serial: /dev/ttyX, baud: 9600}]\ndevices:\n  - name: meter\n    line: bus\n    unit: 1\n    points:\n"
	for _, p := range points {
		text += "      - {" + p + "}\n"
	}
	return must(t, "check", "--config", configIn(t, t.TempDir(), text))
}

// TestCheckTellsWhatABurstReads works the rates out by hand: at 9600 Bd with
// even parity a character takes 11/9600 s and t3.5 3.5 of them, so one register
// takes 15 characters, two silences and 5 ms, 30.2 ms, and three in one read
// take 34.8 ms. A round each second leaves 97.0 or 96.5 % of the line.
func TestCheckTellsWhatABurstReads(t *testing.T) {
	const (
		hertz   = "point: frequency, register: holding 0, one count is: 0.01 Hz"
		volts   = "point: voltage.l1n, register: holding 1, one count is: 0.1 V"
		current = "point: current.l1, register: holding 2, one count is: 0.1 A"
	)
	for _, c := range []struct {
		points []string
		want   string
	}{
		{[]string{hertz}, "32.1 times a second, gaps up to 60 ms while a round is read, of\n  meter: frequency\n"},
		{[]string{hertz, volts, current + ", fast: yes"}, "27.7 times a second, gaps up to 70 ms while a round is read, of\n  meter: frequency, voltage.l1n, current.l1\n"},
		{[]string{hertz, volts + ", fast: no", current}, "32.0 times a second, gaps up to 65 ms while a round is read, of\n  meter: frequency\n"},
		{[]string{hertz + ", fast: no", current}, "no burst: no point is polled fast"},
	} {
		out := checked(t, c.points...)
		if !strings.Contains(out, "assumed: each unit replies after 5 ms") {
			t.Errorf("the assumption is missing in:\n%s", out)
		}
		if !strings.Contains(out, c.want) {
			t.Errorf("%q is missing in:\n%s", c.want, out)
		}
	}
}

// TestCheckSaysWhatTheIntervalsCanJudge has a meter that is read each second and in
// bursts, as the default is, and one that is read every five seconds: no recovery
// can be judged, and the interval that could is named.
func TestCheckSaysWhatTheIntervalsCanJudge(t *testing.T) {
	const hertz, volts = "point: frequency, register: holding 0, one count is: 0.01 Hz", "point: voltage.l1n, register: holding 1, one count is: 0.1 V"
	for _, c := range []struct{ every, want string }{
		{"", "G1, recovery within 10 s: not judged: no readings for 1 s around the step"},
		{", every: 500 ms", "G3, recovery within 3 s: met is shown for a set that needs 2.4 s at most"},
		{", every: 5 s", "G1, recovery within 10 s: not judged: no readings for 5 s around the step"},
		{", every: 5 s, fast: no", "G1, recovery within 10 s: cannot be shown to be met, the readings are too far apart"},
	} {
		out := checked(t, hertz+c.every, volts+c.every)
		if !strings.Contains(out, c.want) {
			t.Errorf("every %q: %q is missing in:\n%s", c.every, c.want, out)
		}
		if advice := strings.Contains(out, "to judge every class, read the frequency at least every 0.5 s"); advice == (c.every == ", every: 500 ms") {
			t.Errorf("every %q: the advice is wrong in:\n%s", c.every, out)
		}
	}
	if out := checked(t, "point: current.l1, register: holding 2, one count is: 0.1 A"); !strings.Contains(out, "frequency: not judged, no point is read") {
		t.Errorf("no word of what is not read in:\n%s", out)
	}
}

// A hook that cannot be run is told by the check; the daemon would start.
func TestCheckLooksForTheHook(t *testing.T) {
	dir := t.TempDir()
	lamp := write(t, dir, "lamp", "#!/bin/sh\n")
	for command, says := range map[string]string{
		"/nowhere/lamp": "the hook's command: stat /nowhere/lamp: no such file or directory",
		dir:             "is not an executable program",
		lamp:            "hint: make it executable: chmod 755 " + lamp,
		"/bin/true":     "",
	} {
		config := write(t, dir, "tickover.yaml", "set: {name: Lamp}\nhook: {command: ["+command+"]}\n")
		code, _, stderr := call(t, "check", "--config", config)
		if says == "" && code != model.NoFault || says != "" && (code != model.ConfigFault || !strings.Contains(stderr, says)) {
			t.Errorf("%s: code %d, %s", command, code, stderr)
		}
	}
}

// A warning of one's own that comes after the standard critical alarm, or a
// critical one that the standard warning comes after, is told by the check.
func TestCheckHoldsOwnAlarmsAgainstTheStandardOnes(t *testing.T) {
	const point = "lines: [{name: bus, serial: /dev/ttyX}]\ndevices: [{name: adapter, line: bus, unit: 1, points: [{point: coolant.temperature, register: holding 0, one count is: 0.1 K}]}]\n"
	for _, c := range []struct{ alarm, says string }{
		{"{name: coolant.hot, priority: warning, point: coolant.temperature, above: 95 °C}",
			"MILDER THAN THE STANDARD ALARM that it replaces: coolant.hot (warning, coolant.temperature above 95.0 °C; the standard one: critical, coolant.temperature above 99.0 °C while rest.time above 20 min)"},
		{"{name: coolant.warm, priority: warning, point: coolant.temperature, above: 98 °C}", "replaces the standard alarm: coolant.warm (warning, "},
	} {
		if out := must(t, "check", "--config", guided(t, point+"alarms: ["+c.alarm+"]")); !strings.Contains(out, c.says) {
			t.Errorf("%s: told\n%s", c.alarm, out)
		}
	}
	if out := must(t, "check", "--config", guided(t, point+"alarms: [{name: my.own, priority: warning, point: coolant.temperature, above: 98 °C}]")); strings.Contains(out, "standard alarm") {
		t.Errorf("an alarm with a name of its own: told\n%s", out)
	}
	for _, c := range []struct{ alarms, says string }{
		{"{name: coolant.warm, priority: warning, point: coolant.temperature, above: 102 °C}",
			"the warning alarm coolant.warm (coolant.temperature above 102.0 °C) comes after the critical one coolant.hot (coolant.temperature above 99.0 °C while rest.time above 20 min)"},
		{"{name: coolant.hot, priority: critical, point: coolant.temperature, above: 92 °C}",
			"the warning alarm coolant.warm (coolant.temperature above 96.0 °C) comes after the critical one coolant.hot (coolant.temperature above 92.0 °C)"},
		{"{name: coolant.warm, priority: warning, point: coolant.temperature, above: 98 °C}", ""},
		{"{name: coolant.warm, priority: warning, point: coolant.temperature, above: 102 °C}, {name: coolant.hot, priority: critical, point: coolant.temperature, above: 106 °C}", ""},
	} {
		code, _, stderr := call(t, "check", "--config", guided(t, point+"alarms: ["+c.alarms+"]"))
		if c.says == "" && code != model.NoFault || c.says != "" && (code != model.ConfigFault || !strings.Contains(stderr, c.says)) {
			t.Errorf("%s: code %d, %s", c.alarms, code, stderr)
		}
	}
}

// An alarm under the old name of a standard rule replaces nothing. check refuses it; a
// daemon that refused it would leave the set unmonitored, so it warns and runs.
func TestAnAlarmUnderTheOldNameOfAStandardRuleIsReported(t *testing.T) {
	const phases = "lines: [{name: bus, serial: /dev/ttyX}]\ndevices: [{name: meter, line: bus, " +
		"unit: 1, points: [{point: voltage.l1n, register: holding 0, one count is: 0.1 V}, " +
		"{point: voltage.l2n, register: holding 1, one count is: 0.1 V}]}]\n"
	old := "alarms: [{name: voltage.l2n.far.low, priority: critical, point: voltage.l2n, below: 200 V}]"
	file := guided(t, phases+old)
	const wrong, cure = "voltage.l2n.far.low no longer replaces a standard alarm", "rename it voltage.lost"
	code, _, stderr := call(t, "check", "--config", file)
	if code != model.ConfigFault || !strings.Contains(stderr, wrong) ||
		!strings.Contains(stderr, "hint: "+cure) {
		t.Errorf("check: code %d: %s", code, stderr)
	}
	code, _, stderr = call(t, "run", "--config", file, "--state", t.TempDir(),
		"--listen", "127.0.0.1:0", "--for", "300ms")
	if code != model.NoFault || !strings.Contains(stderr, wrong) || !strings.Contains(stderr, cure) {
		t.Errorf("run: code %d: %s", code, stderr)
	}
}

// One phase named by an own alarm in the place of a standard one that judges all
// would leave the others unwatched.
func TestAnOwnAlarmInPlaceOfOneOfAllPhasesJudgesAll(t *testing.T) {
	points := []model.Point{{ID: model.VoltageL1N}, {ID: model.VoltageL2N}, {ID: model.VoltageL3N}}
	own := model.AlarmRule{ID: "voltage.lost", Priority: model.Critical, Kind: model.BelowLimit, Point: model.VoltageL2N, Limit: 200}
	all := record.Rules(model.Setup{Rating: model.Rating{Voltage: 400}, Devices: []model.Device{{Name: "meter", Points: points}}, Alarms: []model.AlarmRule{own}})
	if all[0].ID != "voltage.lost" || len(all[0].Points) != 3 || all[0].Limit != 200 {
		t.Errorf("in force is %+v", all[0])
	}
}

// One glance shows how blind the watch of an old set is.
func TestCheckSaysWhichDangersASetCannotSee(t *testing.T) {
	out := must(t, "check", "--config", "../../testdata/config/oil-switch.yaml")
	for _, want := range []string{
		"dangers that no instrument of this set detects: ", "NOT DETECTED", "carbon monoxide in the air", "fit a coolant temperature sensor",
		"loss of oil pressure only by oil pressure switch: no warning before it is low", "overspeed only by frequency: blind without excitation",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in:\n%s", want, out)
		}
	}
}
