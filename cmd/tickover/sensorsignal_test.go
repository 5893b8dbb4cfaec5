package main

import (
	"slices"
	"testing"
	"time"

	"tickover/alarms"
	"tickover/cmd/tickover/record"
	"tickover/collector"
	"tickover/collector/slave"
	"tickover/config"
	"tickover/model"
	"tickover/model/transducer"
)

const signals = `
lines: [{name: skid, serial: /dev/ttyUSB0}]
devices:
  - name: adapter
    line: skid
    unit: 1
    points:
      - {point: oil.pressure, sensor: 4-20 mA 0 bar..10 bar, register: holding 0, one count is: 0.01 mA}
      - {point: coolant.temperature, sensor: Pt100, register: holding 1, one count is: 0.1 ohm, plausible: -40 °C..140 °C}
      - {point: oil.temperature, sensor: table ohm, table: [287 ohm = 40 °C, 134 ohm = 60 °C, 70 ohm = 80 °C, 38 ohm = 100 °C], register: holding 2, one count is: 0.1 ohm}
      - {point: exhaust.temperature, register: holding 3, type: signed 16, one count is: 0.1 K, missing: "0x8000"}
      - {point: ambient.temperature, register: holding 4, type: signed 16, one count is: 0.1 K, plausible: -40 °C..80 °C}
`

// A register that holds a signal beyond its window, of a short or of a break,
// has its sensor told of 5 s later, and one just inside is taken as it is. The
// windows of 4 to 20 mA are those of NAMUR NE 43: readings hold from 3.8 to
// 20.5 mA. A Pt100 has 153.58 ohm at 140 °C and 390.48 ohm at 850 °C, where
// IEC 60751 ends.
func TestSensorsAreToldOfAtTheEndOfTheirWindows(t *testing.T) {
	cfg, err := config.Parse("signals.yaml", []byte(signals))
	if err != nil {
		t.Fatal(err)
	}
	healthy := []uint16{1000, 1200, 700, 3000, 200}
	for _, c := range []struct {
		point model.PointID
		what  string
		reads int
		told  bool
	}{
		{model.OilPressure, "a broken loop", 0, true},
		{model.OilPressure, "3.79 mA", 379, true},
		{model.OilPressure, "3.80 mA", 380, false},
		{model.OilPressure, "20.50 mA", 2050, false},
		{model.OilPressure, "20.51 mA", 2051, true},
		{model.OilPressure, "a short to the supply", 2400, true},
		{model.CoolantTemperature, "a short", 0, true},
		{model.CoolantTemperature, "a break", 65535, true},
		{model.CoolantTemperature, "139 °C", 1532, false},
		{model.CoolantTemperature, "141 °C", 1540, true},
		{model.OilTemperature, "a short", 76, true},
		{model.OilTemperature, "1 % of the table beyond its end", 2894, false},
		{model.OilTemperature, "more than that", 2896, true},
		{model.OilTemperature, "a break", 5740, true},
		{model.ExhaustTemperature, "the device's word for a break", 0x8000, true},
		{model.ExhaustTemperature, "-3276.7 °C", 0x8001, true},
		{model.ExhaustTemperature, "-40 °C", 0xFE70, false},
		{model.AmbientTemperature, "80.0 °C", 800, false},
		{model.AmbientTemperature, "80.1 °C", 801, true},
	} {
		registers := slices.Clone(healthy)
		i := slices.Index([]model.PointID{model.OilPressure, model.CoolantTemperature, model.OilTemperature, model.ExhaustTemperature, model.AmbientTemperature}, c.point)
		registers[i] = uint16(c.reads)
		at := toldOfSensor(t, &cfg.Setup, c.point, healthy, registers)
		if c.told && at != 15*time.Second || !c.told && at >= 0 {
			t.Errorf("%s, %s: told at %s (below zero: never); want told: %v", c.point, c.what, at, c.told)
		}
	}
}

// toldOfSensor reads healthy registers for 10 s and others for 20 s, and
// returns when the point's sensor is told to have failed; -1 means never.
func toldOfSensor(t *testing.T, setup *model.Setup, p model.PointID, healthy, then []uint16) time.Duration {
	t.Helper()
	bank := &slave.Registers{}
	machine := alarms.New(record.Rules(*setup))
	group := collector.Groups(setup.Lines[0], setup.Devices)[0]
	read := func(q model.ReadRequest) (model.Answer, error) {
		words, exception := bank.Read(q.Unit, q.Table, q.Address, q.Count)
		if exception != 0 {
			t.Fatalf("%s: exception %d", q, exception)
		}
		return model.Answer{Words: words}, nil
	}
	for at := (model.Instant{Boot: 1}); at.Offset < 30*time.Second; at = at.Add(time.Second) {
		bank.Set(1, model.HoldingRegisters, 0, healthy...)
		if at.Offset >= 10*time.Second {
			bank.Set(1, model.HoldingRegisters, 0, then...)
		}
		scan, _, _ := group.Scan(at, func() model.Instant { return at }, read)
		transducer.Sense(setup.Sensed, scan)
		for _, e := range machine.Step(scan) {
			if e.Rule == string(p)+".failed" && e.To == model.AlarmUnacknowledged {
				return e.At.Offset
			}
		}
	}
	return -1
}
