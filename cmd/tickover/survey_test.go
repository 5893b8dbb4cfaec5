package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/collector/slave"
	"tickover/config"
	"tickover/model"
)

// skid is a bank with a SunSpec meter at unit 3, a plain adapter at 7 that
// says who it is, and one at 9 that has no register 0.
type skid struct{ *slave.Registers }

func (skid) Identity(unit byte) ([3]string, bool) {
	return [3]string{"Lower Pond Works", "TA-8", "1.4"}, unit == 7
}

func newSkid() skid {
	r := &slave.Registers{}
	r.Set(3, model.HoldingRegisters, 40000, append([]uint16{0x5375, 0x6e53, 1, 66}, make([]uint16, 66)...)...)
	r.Set(3, model.HoldingRegisters, 40070, append([]uint16{203, 105}, make([]uint16, 105)...)...)
	r.Set(3, model.HoldingRegisters, 40177, 0xffff, 0)
	r.Set(7, model.HoldingRegisters, 0, 2301, 0x4248, 0x0000, 0x0000, 0x4248)
	r.Set(9, model.HoldingRegisters, 100, 1)
	return skid{r}
}

// plugIn serves a bank on a pseudo-terminal and returns its path.
func plugIn(t *testing.T, bank slave.Bank, log *slave.Log) string {
	t.Helper()
	master, path, err := slave.OpenPTY()
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() {
		done <- slave.ServeRTU(context.Background(), master, bank, slave.Pace{}, slave.Faults{Log: log})
	}()
	t.Cleanup(func() {
		master.Close()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return path
}

// TestSurveyNamesWhatAnswers finds three units, names them, and prints a
// configuration that check accepts as it is.
func TestSurveyNamesWhatAnswers(t *testing.T) {
	log := &slave.Log{}
	path := plugIn(t, newSkid(), log)
	out := must(t, "survey", "--serial", path, "--units", "3-9", "--bauds", "19200", "--parities", "even", "--stop-bits", "1", "--timeout", "150ms")
	for _, want := range []string{"1, 203", "Lower Pond Works TA-8 1.4", "exception 02", "profile: sunspec 203", "reads holding 0"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in:\n%s", want, out)
		}
	}
	_, stub, _ := strings.Cut(out, "\n\n")
	cfg, err := config.Parse("stub.yaml", []byte(stub))
	if err != nil {
		t.Fatalf("the stub is no configuration: %v\n%s", err, stub)
	}
	if cfg.Setup.Lines[0].StopBits != 1 {
		t.Errorf("line of the stub: %+v", cfg.Setup.Lines[0])
	}
	if len(cfg.Setup.Devices) != 3 || cfg.Setup.Devices[0].Chain == nil {
		t.Errorf("devices of the stub: %+v", cfg.Setup.Devices)
	}
	if v := log.Violations(); len(v) > 0 {
		t.Errorf("the survey wrote: %v", v)
	}
}

// TestTheStubQuotesItsAddress: unquoted, YAML takes what follows ": " or " #" for
// something else.
func TestTheStubQuotesItsAddress(t *testing.T) {
	const odd = "/dev/rs485/A: #1"
	stub := (&surveyCommand{Serial: odd}).stub([]found{{Unit: 3, Baud: 9600, Parity: "even", plain: true, table: model.HoldingRegisters}})
	cfg, err := config.Parse("stub.yaml", []byte(stub))
	if err != nil || cfg.Setup.Lines[0].Address != odd {
		t.Errorf("%v\n%s", err, stub)
	}
}

// TestSurveyAsksAgainWhereSomethingWasHeard has the first question to each of
// two units fail. One answer or one garbled one on the line is reason to ask
// the silent units again; on a line that nobody is heard on none is.
func TestSurveyAsksAgainWhereSomethingWasHeard(t *testing.T) {
	for _, c := range []struct {
		name         string
		lost         slave.Fault
		units        string
		found, asked int // units found, questions counted by the progress bar
	}{
		{"one answers at once", slave.Fault{Kind: slave.Lost}, "1-4,9", 3, 9},
		{"garbage", slave.Fault{Kind: slave.NoiseOnly}, "1-4", 2, 8},
		{"nobody is heard", slave.Fault{Kind: slave.Lost}, "1-4", 0, 4},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			surveyed(t, c.lost, c.units, c.found, c.asked)
		})
	}
}

// surveyed looks along a line of the units 3, 4 and 9, of which all but the
// last spoil their first answer.
func surveyed(t *testing.T, lost slave.Fault, list string, found, asked int) {
	master, path, err := slave.OpenPTY()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[byte]bool{9: true}
	first := func(r slave.Request) slave.Fault {
		if seen[r.Unit] {
			return slave.Fault{}
		}
		seen[r.Unit] = true
		return lost
	}
	bank := &slave.Registers{}
	for _, unit := range []byte{3, 4, 9} {
		bank.Set(unit, model.HoldingRegisters, 0, 7, 8)
	}
	done := make(chan error, 1)
	go func() {
		done <- slave.ServeRTU(context.Background(), master, bank, slave.Pace{}, slave.Faults{Next: first})
	}()
	units, err := unitList(list)
	if err != nil {
		t.Fatal(err)
	}
	progress, garbled := bar(io.Discard, "asking").setTotal(int64(len(units))), map[string]int{}
	all, err := surveyLine(t.Context(), model.Line{Address: path, Baud: 19200}, units, 250*time.Millisecond, progress, garbled)
	if err != nil || len(all) != found || len(garbled) > 0 {
		t.Errorf("found %+v, garbled %v, %v; want %d", all, garbled, err, found)
	}
	if progress.total.Load() != int64(asked) || progress.done.Load() != progress.total.Load() {
		t.Errorf("%d of %d questions, want %d", progress.done.Load(), progress.total.Load(), asked)
	}
	progress.finish()
	master.Close()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

func TestSurveyOverTheNetwork(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	go slave.ServeTCP(ctx, listener, newSkid(), slave.Faults{})
	out := must(t, "survey", "--modbus-tcp", listener.Addr().String(), "--units", "3-8", "--timeout", "60ms", "--json")
	if !strings.Contains(out, `"unit":7`) || strings.Contains(out, `"unit":6`) {
		t.Errorf("found %s", out)
	}
}

// TestSurveyStopsCleanly is stopped in the middle: what had answered is
// printed, and it says how far it came.
func TestSurveyStopsCleanly(t *testing.T) {
	path := plugIn(t, newSkid(), &slave.Log{})
	ctx, stop := context.WithTimeout(context.Background(), 1500*time.Millisecond)
	defer stop()
	var out, stderr strings.Builder
	code := Main(ctx, []string{"survey", "--serial", path, "--units", "3,20-247", "--bauds", "19200", "--parities", "even", "--timeout", "200ms"}, &out, &stderr)
	if code != model.RuntimeFault || !strings.Contains(stderr.String(), "stopped after") || !strings.Contains(out.String(), "sunspec 203") {
		t.Errorf("exit code %d\n%s\n%s", code, out.String(), stderr.String())
	}
}

// TestSurveyLosesItsLine looks through a gateway that goes away when it is asked
// for unit 5: what had answered before is printed, and the error is told.
func TestSurveyLosesItsLine(t *testing.T) {
	code, out, stderr := surveyHangingUp(t, func(unit uint8, listener net.Listener) bool {
		if unit == 5 {
			listener.Close()
		}
		return unit == 5
	})
	if code != model.LineFault || !strings.Contains(out, "sunspec 203") || strings.Contains(out, "unit: 7") || !strings.Contains(stderr, "unit 5") {
		t.Errorf("exit code %d\n%s\n%s", code, out, stderr)
	}
}

// TestSurveyGoesOnAfterAHangUp looks through a gateway that hangs up for units
// that it does not have, and through one that hangs up for all: that is told,
// for it may have another client.
func TestSurveyGoesOnAfterAHangUp(t *testing.T) {
	code, out, stderr := surveyHangingUp(t, func(unit uint8, _ net.Listener) bool { return unit == 5 })
	if code != model.NoFault || !strings.Contains(out, "sunspec 203") || !strings.Contains(out, "unit: 7") {
		t.Errorf("exit code %d\n%s\n%s", code, out, stderr)
	}
	code, _, stderr = surveyHangingUp(t, func(uint8, net.Listener) bool { return true })
	if code != model.RuntimeFault || !strings.Contains(stderr, "hung up") || !strings.Contains(stderr, "one client only") {
		t.Errorf("exit code %d\n%s", code, stderr)
	}
}

// surveyHangingUp asks units 3, 5 and 7 through a gateway that hangs up at some.
func surveyHangingUp(t *testing.T, hangs func(unit uint8, listener net.Listener) bool) (code model.FaultCode, out, stderr string) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	go slave.ServeTCP(ctx, listener, newSkid(), slave.Faults{Next: func(r slave.Request) (f slave.Fault) {
		if hangs(r.Unit, listener) {
			f.Kind = slave.Hangup
		}
		return f
	}})
	return call(t, "survey", "--modbus-tcp", listener.Addr().String(), "--units", "3,5,7", "--timeout", "10s")
}

func TestSurveyOfNothing(t *testing.T) {
	for _, c := range []struct {
		args []string
		code model.FaultCode
		hint string
	}{
		{[]string{"survey", "--serial", "/nonexistent", "--units", "1"}, model.LineFault, "/dev/serial/by-id"},
		{[]string{"survey", "--serial", "/nonexistent", "--units", "0-3"}, model.UsageFault, "1 to 247"},
		{[]string{"survey", "--serial", "/nonexistent", "--units", "248"}, model.UsageFault, "1 to 247"},
		{[]string{"survey"}, model.UsageFault, ""},
		{[]string{"peek", "--raw", "--config", "demo.yaml"}, model.UsageFault, "--unit"},
		{[]string{"peek", "--unit", "1", "--count", "126", "--config", "demo.yaml"}, model.UsageFault, "1 to 125"},
		{[]string{"peek", "--unit", "0", "--config", "demo.yaml"}, model.UsageFault, "1 to 247"},
		{[]string{"peek", "--unit", "248", "--config", "demo.yaml"}, model.UsageFault, "1 to 247"},
		{[]string{"peek", "--unit", "1", "--quantity", "volts", "--config", "demo.yaml"}, model.UsageFault, "voltage"},
	} {
		if code, _, stderr := call(t, c.args...); code != c.code || !strings.Contains(stderr, c.hint) {
			t.Errorf("%v: exit code %d, want %d and a hint with %q:\n%s", c.args, code, c.code, c.hint, stderr)
		}
	}
}

// TestPeekShowsEveryReading reads a count of 2301 and a float 50.0 in both
// word orders, and marks what could be a voltage.
func TestPeekShowsEveryReading(t *testing.T) {
	path := plugIn(t, newSkid(), &slave.Log{})
	file := filepath.Join(t.TempDir(), "c.yaml")
	text := fmt.Sprintf("set:\n  name: x\nstate dir: %s\nlines:\n  - name: bus\n    serial: %s\ndevices:\n  - name: a\n    line: bus\n    unit: 7\n    points:\n      - point: a.b\n        quantity: count\n        register: holding 0\n", t.TempDir(), path)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	out := must(t, "peek", "--config", file, "--unit", "7", "--count", "5", "--raw", "--quantity", "voltage")
	marked := map[string]bool{}
	for line := range strings.Lines(out) {
		marked[strings.Join(strings.Fields(line), " ")] = true
	}
	for _, want := range []string{
		"0 40001 08fd unsigned 16 2301 * 230.1 V by 0.1 V; 23.01 V by 0.01 V",
		"1 40002 4248 float 32, high word first 50 * 50.00 V by 1 V",
		"3 40004 0000 float 32, low word first 50 * 50.00 V by 1 V",
	} {
		found := false
		for line := range marked {
			found = found || strings.HasPrefix(line, want)
		}
		if !found {
			t.Errorf("%q is missing in:\n%s", want, out)
		}
	}
}

// TestRawReadingsShowASmallNumberInTwoRegisters has 230.4 V as 2304 counts of a
// tenth in two registers, in either word order: nothing says but the reader that it
// is not one register and a zero beside it.
func TestRawReadingsShowASmallNumberInTwoRegisters(t *testing.T) {
	has := func(all []reading, order model.WordOrder, value float64) bool {
		return slices.ContainsFunc(all, func(r reading) bool {
			return r.Type == model.Uint32.String() && r.Order == order.String() && r.Value == value && len(r.Means) > 0
		})
	}
	if all := readings(model.HoldingRegisters, 10, []uint16{2304, 0}, model.Voltage); !has(all, model.LowWordFirst, 2304) {
		t.Errorf("low word first: %+v", all)
	}
	if all := readings(model.HoldingRegisters, 10, []uint16{0, 2304}, model.Voltage); !has(all, model.HighWordFirst, 2304) {
		t.Errorf("high word first: %+v", all)
	}
	for _, r := range readings(model.HoldingRegisters, 10, []uint16{0, 0}, model.NoQuantity) {
		if r.Type == model.Uint32.String() {
			t.Errorf("two zeros are shown as %+v", r)
		}
	}
}

// TestCheckRefusesWhatTheLineCannotHold asks 9600 Bd for two rounds of 125
// registers ten times a second, and warns at a little less than all.
func TestCheckRefusesWhatTheLineCannotHold(t *testing.T) {
	config := func(every string) string {
		text := "set:\n  name: x\nlines:\n  - name: bus\n    serial: /dev/ttyX\n    baud: 9600\ndevices:\n"
		for unit := 1; unit <= 2; unit++ {
			text += fmt.Sprintf("  - name: u%[1]d\n    line: bus\n    unit: %[1]d\n    every: %[2]s\n    points:\n", unit, every)
			for _, at := range []int{0, 60, 124} {
				text += fmt.Sprintf("      - point: u%d.p%d\n        quantity: count\n        register: holding %d\n", unit, at, at)
			}
		}
		file := filepath.Join(t.TempDir(), "c.yaml")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	code, out, stderr := call(t, "check", "--config", config("100 ms"))
	if code != model.ConfigFault || !strings.Contains(stderr, "line bus") || !strings.Contains(stderr, "hint") || strings.Contains(out, "no mistakes") {
		t.Errorf("100 ms: exit code %d\n%s\n%s", code, out, stderr)
	}
	code, out, stderr = call(t, "check", "--config", config("210 ms"))
	if code != model.NoFault || !strings.Contains(stderr, "warning: line bus") {
		t.Errorf("210 ms: exit code %d\n%s\n%s", code, out, stderr)
	}
	if code, _, stderr = call(t, "check", "--config", config("1 s")); code != model.NoFault || stderr != "" {
		t.Errorf("1 s: exit code %d\n%s", code, stderr)
	}
}
