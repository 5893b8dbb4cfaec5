package config

import (
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

func load(t *testing.T, name string) *Config {
	t.Helper()
	c, err := Load("../testdata/config/" + name)
	if err != nil {
		t.Fatalf("\n%v", err)
	}
	return c
}

func same(t *testing.T, what string, got, want any) {
	t.Helper()
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s:\n got %+v\nwant %+v", what, got, want)
	}
}

func TestEveryFieldOfSetAndLines(t *testing.T) {
	c := load(t, "everything.yaml")
	same(t, "rating", c.Setup.Rating, model.Rating{Name: "Hatchery standby set", Site: "Pump house",
		ApparentPower: 50000,
		PowerFactor:   0.85, Voltage: 400, Frequency: 50, Poles: 4, Battery: 24, Class: "buyer",
		Card: model.Card{Droop: 0.05, Overspeed: 28, OverloadHour: true, Unbalance: 0.1,
			StoppedBy: model.ByLever, Insulation: model.InsulationF, ExcitationOff: true,
			ThermostatOpens: 82, ThermostatFullOpen: 92,
			ExhaustLimit: 550, BearingLimit: 95}})
	same(t, "limit sets", c.Setup.LimitSets,
		[]model.LimitSet{{Name: "buyer", BasedOn: "G2", Source: "agreed with the buyer",
			Limits: map[string]float64{
				"frequency droop": 0.04, "frequency recovery, load on": 3,
				"frequency tolerance band": 0.015}}})
	same(t, "listen", c.Listen, "0.0.0.0:9000")
	same(t, "permission", c.Unauthenticated, true)
	same(t, "reading by token", c.ReadByToken, false)
	same(t, "web config", c.WebConfig, "../testdata/config/web.yaml")
	same(t, "state", c.StateDir, "/srv/tickover")
	same(t, "store", c.Store, Retention{Room: 2e9, Samples: 400 * 24 * time.Hour,
		RiskBusy: 500 * time.Millisecond, RiskSteady: 10 * time.Second})
	same(t, "supply", c.Setup.Supply, model.Supply{Starter: true, Current: 0.42, Capacity: 88})
	same(t, "lines", c.Setup.Lines, []model.Line{
		{Name: "skid", Kind: model.SerialLine, Address: "/dev/ttyUSB0", Baud: 9600,
			Parity: model.NoParity, StopBits: 2,
			Timeout: 300 * time.Millisecond, Silence: 10 * time.Millisecond, KernelRS485: true,
			LowLatency: true},
		{Name: "gate", Kind: model.TCPLine, Address: "192.0.2.10:502", Timeout: 2 * time.Second},
		{Name: "tunnel", Kind: model.RTUOverTCP, Address: "gateway.example:4001"},
	})
}

func TestProfileOfOnesOwnAndItsOverrides(t *testing.T) {
	d := load(t, "everything.yaml").Setup.Devices[0]
	same(t, "adapter", d, model.Device{Name: "adapter", Line: "skid", Unit: 7,
		Every:   500 * time.Millisecond,
		Timeout: 250 * time.Millisecond, MinGap: 4 * time.Millisecond, MaxRegisters: 16,
		PoweredBySet: true,
		Points: []model.Point{{ID: model.BatteryVoltage, Quantity: model.Voltage, Device: "adapter",
			Low: -1, High: 120,
			Register: model.Register{Resolution: model.Resolution{Num: 1, Den: 100}}}}})
}

// The word nearest to a point says whether it is polled fast: its own, then its
// device's, then its profile's, then what the point is. What a fast sensor
// needs beside it is fast too.
func TestWhatIsPolledFast(t *testing.T) {
	const text = `
lines: [{name: skid, serial: /dev/ttyUSB0}]
devices:
  - name: plain
    line: skid
    unit: 1
    points:
      - {point: frequency, register: holding 0, one count is: 0.01 Hz}
      - {point: voltage.l1n, register: holding 1, one count is: 0.1 V, fast: no}
      - {point: energy.active, register: holding 2, one count is: 1 kWh}
      - {point: current.l1, register: holding 3, one count is: 0.1 A, fast: yes}
      - {point: sender.supply, quantity: voltage, register: holding 4, one count is: 1 mV}
      - {point: oil.pressure, register: holding 5, one count is: 1 mV, sensor: "ratio 10 %..90 % 0 bar..10 bar, supply from sender.supply"}
  - name: quiet
    line: skid
    unit: 2
    fast: no
    points:
      - {point: speed, register: holding 0, one count is: 1 r/min}
      - {point: battery.voltage, register: holding 1, one count is: 0.01 V, fast: yes}
  - name: meter
    line: skid
    unit: 3
    fast: no
    profile: sunspec 203
    leave out: [frequency, voltage.l1n, current.l1, energy.active]
`
	c, err := Parse("fast.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	var fast []string
	for _, d := range c.Setup.Devices {
		for _, p := range d.Points {
			if p.Fast {
				fast = append(fast, string(p.ID))
			}
		}
	}
	same(t, "polled fast", fast, []string{"frequency", "current.l1", "sender.supply",
		"oil.pressure.raw", "battery.voltage"})
}

func TestEveryFieldOfPoints(t *testing.T) {
	d := load(t, "everything.yaml").Setup.Devices[1]
	sf := uint16(202)
	want := []model.Point{
		{ID: "oil.pressure", Label: "Oil", Quantity: model.Pressure, Every: 200 * time.Millisecond,
			Fast: true, Low: -50000, High: 1050000, Class: 10000,
			Register: model.Register{Table: model.InputRegisters, Type: model.Int16,
				Missing:    []uint64{0x8000, 32767},
				Resolution: model.Resolution{Num: 125, Den: 2, Off: -500000}}},
		{ID: "radiator.outlet", Quantity: model.Temperature,
			Register: model.Register{Table: model.InputRegisters, Address: 16, Type: model.Float32,
				Order:      model.LowWordFirstBytesSwapped,
				Resolution: model.Resolution{Num: 5, Den: 9, Off: -160, Single: true}}},
		{ID: "power.active", Quantity: model.ActivePower,
			Register: model.Register{Address: 100, Type: model.Float64, Order: model.LowWordFirst,
				Resolution: model.Resolution{Num: 1000, Den: 1}}},
		{ID: "energy.active", Quantity: model.Energy,
			Register: model.Register{Address: 200, Type: model.Uint32, Exponent: &sf,
				Resolution: model.Resolution{Num: 360000, Den: 1}}},
		{ID: "oil.switch", Quantity: model.State,
			Register: model.Register{Table: model.Coils, Address: 3, Type: model.BitValue,
				Invert: true, Resolution: model.Resolution{Num: 1, Den: 1}}},
		{ID: "charge.lamp", Quantity: model.State,
			Register: model.Register{Address: 300, Type: model.BitValue, Bit: 5,
				Resolution: model.Resolution{Num: 1, Den: 1}}},
		{ID: "starts", Quantity: model.Count,
			Register: model.Register{Address: 301, Resolution: model.Resolution{Num: 1, Den: 1}}},
		{ID: "power.factor", Quantity: model.PowerFactor,
			Register: model.Register{Address: 302, Type: model.Int16,
				Resolution: model.Resolution{Num: 1, Den: 1000}}},
	}
	for i := range want {
		want[i].Device = "engine"
		same(t, string(want[i].ID), d.Points[i], want[i])
	}
	d.Points = nil
	same(t, "device", d, model.Device{Name: "engine", Line: "gate", Unit: 247,
		Every: 2 * time.Second, Timeout: 400 * time.Millisecond, MinGap: 20 * time.Millisecond,
		MaxRegisters: 32})
}

func TestEveryFieldOfAlarms(t *testing.T) {
	want := []model.AlarmRule{
		// 0.5 bar per 1000 r/min is 50 kPa per 1000/60 revolutions a second.
		{ID: "oil.low", Label: "Oil low", Priority: model.Critical, Kind: model.BelowLimit,
			Point: "oil.pressure", Limit: 3000, PerSpeed: true, Deadband: 10000,
			OnDelay: 2 * time.Second, OffDelay: 3 * time.Second, Latch: true,
			ArmedIn:  []model.EngineState{model.Idling, model.Loaded},
			ArmDelay: 10 * time.Second, GoodOnce: true, Action: "Stop it.",
			Basis: "the engine maker"},
		{ID: "outlet.rising", Label: "outlet.rising", Priority: model.Warning,
			Kind: model.RisingFaster, Point: "radiator.outlet", Limit: 0.1,
			Window: 30 * time.Second},
		{ID: "frequency.band", Label: "frequency.band", Kind: model.OutsideBand, Point: "frequency",
			Low: 47, Limit: 53},
		{ID: "oil.falling", Label: "oil.falling", Priority: model.Warning,
			Kind: model.FallingFaster, Point: "oil.pressure", Limit: 100000.0 / 60},
		{ID: "meter.lost", Label: "meter.lost", Priority: model.Warning, Kind: model.DeviceLost,
			Device: "meter"},
		{ID: "oil.failed", Label: "oil.failed", Priority: model.Critical, Kind: model.PointFailed,
			Point: "oil.pressure"},
		{ID: "unbalance", Label: "unbalance", Priority: model.Warning, Kind: model.AboveLimit,
			Point: "voltage.unbalance", Limit: 0.03},
		{ID: "logger.warm", Label: "logger.warm", Kind: model.AboveLimit, Point: "host.temperature",
			Limit: 70, Deadband: 3},
		{ID: "frequency.hunts", Label: "frequency.hunts", Priority: model.Warning,
			Kind: model.SwingsMore, Point: "frequency", Limit: 2, Window: 20 * time.Second,
			Deadband: 0.5,
			Steady:   "power.active", SteadyWithin: 2000, Remind: 10 * time.Minute},
		{ID: "oil.jumps", Label: "oil.jumps", Priority: model.Warning, Kind: model.JumpsFaster,
			Point: "oil.pressure", Limit: 20e5, Deadband: 5e5},
		{ID: "outlet.stuck", Label: "outlet.stuck", Priority: model.Warning, Kind: model.StuckFor,
			Point: "radiator.outlet", Window: 15 * time.Minute},
		{ID: "starts.stuck", Label: "starts.stuck", Kind: model.NeverMoves, Point: "starts",
			Limit: 3},
		{ID: "share.used", Label: "share.used", Kind: model.UsedUpWithin,
			Point: "voltage.unbalance", Limit: 10800, Window: 20 * time.Minute, Deadband: 600},
		{ID: "oil.unloaded", Label: "oil.unloaded", Priority: model.Warning, Kind: model.BelowLimit,
			Point: "oil.pressure", Limit: 2e5,
			While:  model.AlarmCondition{Point: "oil.temperature", Limit: 60},
			Steady: "frequency", SteadyWithin: 0.5, Window: 30 * time.Second},
	}
	got := load(t, "everything.yaml").Setup.Alarms
	if len(got) != len(want) {
		t.Fatalf("%d alarms", len(got))
	}
	for i := range want {
		same(t, want[i].ID, got[i], want[i])
	}
}

func TestHatchery(t *testing.T) {
	c := load(t, "hatchery.yaml")
	points := c.Setup.Points()
	for _, p := range []model.PointID{model.OilPressure, model.OilTemperature,
		model.CoolantTemperature, model.AmbientTemperature,
		model.ExhaustTemperature, model.BatteryVoltage, model.SpeedPoint, model.FuelLevel,
		model.OilSwitch, model.ChargeLamp, model.KeyOn,
		model.VoltageL1N, model.VoltageL31, model.CurrentL3, model.FrequencyPoint,
		model.PowerActive, model.EnergyActive} {
		if _, ok := points[p]; !ok {
			t.Errorf("%s is not there", p)
		}
	}
	// 12 mA of 4..20 mA over 0..10 bar.
	oil := points[model.OilPressure]
	if s := oil.Sample([]uint16{12000}, 0); s.Quality != model.Good || s.Value != 500000 {
		t.Errorf("12 mA: %+v", s)
	}
	if s := oil.Sample([]uint16{0}, 0); s.Cause != model.Implausible {
		t.Errorf("a broken wire: %+v", s)
	}
}

func TestDefaults(t *testing.T) {
	c, err := Parse("x.yaml",
		[]byte("lines: [{name: a, serial: /dev/a}]\ndevices: [{name: d, line: a, unit: 1, "+
			"profile: sunspec 201}]\n"))
	if err != nil {
		t.Fatal(err)
	}
	same(t, "listen", c.Listen, "127.0.0.1:8485")
	same(t, "state", c.StateDir, "/var/lib/tickover")
	same(t, "store", c.Store, Retention{})
	same(t, "permission", c.Unauthenticated, false)
	same(t, "reading by token", c.ReadByToken, false)
	same(t, "rating", c.Setup.Rating, model.Rating{PowerFactor: 0.8})
	same(t, "bases", c.Setup.Devices[0].Chain.Bases, []uint16{40000, 50000, 0})
}

// A new installation runs before anything is connected.
func TestNoDevicesYetIsNoMistake(t *testing.T) {
	c := load(t, "no-devices.yaml")
	if len(c.Setup.Lines) != 0 || len(c.Setup.Devices) != 0 {
		t.Errorf("read %+v", c.Setup)
	}
	if _, err := Parse("x.yaml", []byte("set: {name: a}\n")); err != nil {
		t.Errorf("a set alone: %v", err)
	}
	if _, err := Parse("x.yaml",
		[]byte("devices: [{name: d, line: a, unit: 1, profile: sunspec 201}]\n")); err == nil {
		t.Error("a device on a line that is not there passes")
	}
}

func TestLoopbackNeedsNoPassword(t *testing.T) {
	body := "lines: [{name: a, serial: /dev/a}]\ndevices: [{name: d, line: a, unit: 1, profile: " +
		"sunspec 201}]\nlisten: "
	for _, c := range []struct {
		listen string
		good   bool
	}{
		{"127.0.0.1:1", true}, {"127.9.9.9:0", true}, {"localhost:80", true}, {`"[::1]:80"`, true},
		{`":80"`, false}, {"192.0.2.1:80", false}, {`"[::]:80"`, false}, {"name.example:80", false},
		{"127.0.0.1:99999", false},
		{"192.0.2.1:80\nweb config: w.yaml", true},
		{"192.0.2.1:80\nreading without password: allowed", true},
		{"192.0.2.1:80\nreading without password: refused", false},
		{"192.0.2.1:80\nreading: by token", true}, {"192.0.2.1:80\nreading: open", false},
	} {
		if _, err := Parse("x.yaml", []byte(body+c.listen+"\n")); (err == nil) != c.good {
			t.Errorf("%s: %v", c.listen, err)
		}
	}
}

func TestInstalledExampleHasNoMistakes(t *testing.T) {
	if _, err := Load("../deploy/tickover.yaml"); err != nil {
		t.Errorf("\n%v", err)
	}
}

// What users read of alarms of their own has every key and kind there is.
func TestTheDocumentsHaveEveryKeyOfAlarms(t *testing.T) {
	text, err := os.ReadFile("../deploy/docs/own-alarms.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range slices.Concat(alarmKeys(), cardKeys) {
		if !strings.Contains(string(text), "`"+key+"`") &&
			!strings.Contains(string(text), " "+key+": ") {
			t.Errorf("own-alarms.md does not have %q", key)
		}
	}
}

// The words of a kind are the same in the configuration and in what is told.
func TestAlarmKindsAreNamedAsInTheModel(t *testing.T) {
	for kind, key := range alarmKinds {
		if said := model.AlarmKind(kind).String(); said != key {
			t.Errorf("%q is told as %q", key, said)
		}
	}
}
