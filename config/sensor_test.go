package config

import (
	"testing"
	"time"

	"tickover/model"
)

// sensedIn finds a sensed point of everything.yaml.
func sensedIn(t *testing.T, c *Config, id model.PointID) model.Point {
	t.Helper()
	for _, p := range c.Setup.Sensed {
		if p.ID == id {
			return p
		}
	}
	t.Fatalf("%s is not sensed", id)
	return model.Point{}
}

func TestSensorsInPlainWords(t *testing.T) {
	c := load(t, "everything.yaml")
	for id, want := range map[model.PointID]model.Sensor{
		"coolant.temperature": {Kind: model.ResistanceThermometer,
			Words: "Pt100, class B, leads 0.4 ohm", Signal: model.Resistance, R0: 100, Leads: 0.4,
			Class: "B"},
		"exhaust.temperature": {Kind: model.ThermocoupleSensor,
			Words: "thermocouple K, cold junction from terminal.temperature", Signal: model.Voltage,
			Couple: "K", ColdPoint: "terminal.temperature"},
		"terminal.temperature": {Kind: model.ThermistorBeta,
			Words: "thermistor 10 kohm at 25 °C with beta 3950", Signal: model.Resistance,
			R0: 10000, T0: 25, Beta: 3950},
		"ambient.temperature": {Kind: model.ThermistorSteinhart,
			Words:  "thermistor with coefficients 1.104e-3 2.389e-4 6.93e-8",
			Signal: model.Resistance,
			Hart:   [3]float64{1.104e-3, 2.389e-4, 6.93e-8}},
		"oil.temperature": {Kind: model.TableSensor, Words: "table ohm", Signal: model.Resistance,
			Table: [][2]float64{{38, 100}, {70, 80}, {134, 60}, {287, 40}}},
		"battery.current": {Kind: model.LinearSensor,
			Words: "4-20 mA -600 A..600 A, failed outside 3.5 mA..21.5 mA", Signal: model.Current,
			In: [2]float64{0.004, 0.02}, Out: [2]float64{-600, 600},
			Fail: [2]float64{0.0035, 0.0215},
			Calibration: &model.Calibration{Shown: [2]float64{4, 304}, True: [2]float64{0, 300},
				Validity: model.Validity{On: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC),
					Months: 24}}},
		"boost.pressure": {Kind: model.LinearSensor,
			Words:  "ratio 10 %..90 % 0 bar..2 bar, supply from sensor.supply",
			Signal: model.Voltage,
			In:     [2]float64{0.1, 0.9}, Out: [2]float64{0, 2e5}, Supply: "sensor.supply"},
		"sensor.supply": {Kind: model.DirectSensor, Words: "direct", Signal: model.Voltage,
			Calibration: &model.Calibration{Shown: [2]float64{5.1, 10.2}, True: [2]float64{5, 10}}},
		"speed": {Kind: model.PulseSensor, Words: "pulses 120 per revolution",
			Signal: model.Frequency, PerOne: 120},
		"fuel.flow": {Kind: model.PulseSensor, Words: "pulses 450 per L",
			Signal: model.Frequency, PerOne: 450000},
		"tank.level": {Kind: model.TableSensor, Words: "table %, supply from sensor.supply",
			Signal: model.Voltage, Supply: "sensor.supply",
			Table: [][2]float64{{0.05, 0}, {0.5, 0.6}, {0.95, 1}}},
	} {
		want.Raw = id + ".raw"
		p := sensedIn(t, c, id)
		same(t, string(id), *p.Sensor, want)
		raw := c.Setup.Points()[want.Raw]
		same(t, string(id)+"'s register is the raw point's", raw.Quantity, want.Signal)
		same(t, string(id)+" has no register", p.Register, model.Register{})
	}
	same(t, "plausible stays with the value", sensedIn(t, c, "coolant.temperature").High, 140.0)
	same(t, "and not with the signal", c.Setup.Points()["coolant.temperature.raw"].High, 0.0)
	same(t, "interval", sensedIn(t, c, "coolant.temperature").Every, 2*time.Second)
}

func TestMachineCard(t *testing.T) {
	same(t, "facts", load(t, "everything.yaml").Setup.Machine, []model.Fact{
		{Name: "engine serial number", Text: "E-1207"},
		{Name: "tank dip", Text: "0 mm = 0 L; 400 mm = 118 L"}})
}
