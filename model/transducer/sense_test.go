package transducer

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/model"
	"tickover/testdata/reference"
)

var (
	loop    = &model.Sensor{Kind: model.LinearSensor, Signal: model.Current, In: [2]float64{0.004, 0.020}, Out: [2]float64{0, 10e5}}
	volts   = &model.Sensor{Kind: model.LinearSensor, Signal: model.Voltage, In: [2]float64{0, 10}, Out: [2]float64{0, 10e5}}
	ratio   = &model.Sensor{Kind: model.LinearSensor, Signal: model.Voltage, In: [2]float64{0.1, 0.9}, Out: [2]float64{0, 10e5}, Supply: "supply"}
	sender  = &model.Sensor{Kind: model.TableSensor, Signal: model.Resistance, Table: [][2]float64{{10, 0}, {48, 2e5}, {82, 4e5}, {116, 6e5}, {184, 10e5}}}
	falling = &model.Sensor{Kind: model.TableSensor, Signal: model.Resistance, Table: [][2]float64{{33, 1}, {103, 0.5}, {240, 0}}}
	pt      = &model.Sensor{Kind: model.ResistanceThermometer, R0: 100}
	ntc     = &model.Sensor{Kind: model.ThermistorBeta, R0: 10000, T0: 25, Beta: 3950}
	couple1 = &model.Sensor{Kind: model.ThermocoupleSensor, Couple: "K", ColdPoint: "terminals"}
)

// The loop's figures are worked by hand: x = lo + (I-4)/16·(hi-lo). The windows
// are NAMUR NE 43's.
func TestValues(t *testing.T) {
	for _, c := range []struct {
		name                 string
		s                    *model.Sensor
		signal, beside, want float64
		cause                model.Cause
	}{
		{"12 mA", loop, 0.012, 0, 5e5, 0},
		{"3.8 mA", loop, 0.0038, 0, -0.125e5, 0},
		{"20.5 mA", loop, 0.0205, 0, 10.3125e5, 0},
		{"3.7 mA is uncertain", loop, 0.0037, 0, 0, model.Implausible},
		{"20.8 mA is uncertain", loop, 0.0208, 0, 0, model.Implausible},
		{"3.6 mA is failure", loop, 0.0036, 0, 0, model.SensorFailed},
		{"21 mA is failure", loop, 0.021, 0, 0, model.SensorFailed},
		{"broken loop", loop, 0, 0, 0, model.SensorFailed},
		{"mA taken for A", loop, 12, 0, 0, model.SensorFailed},
		{"2.5 V of 10", volts, 2.5, 0, 2.5e5, 0},
		{"an open wire of 0-10 V reads the low end", volts, 0, 0, 0, 0},
		{"10.7 V of 10", volts, 10.7, 0, 0, model.SensorFailed},
		{"half the supply", ratio, 6, 12, 5e5, 0},
		{"half another supply", ratio, 7.2, 14.4, 5e5, 0},
		{"no supply", ratio, 6, 0, 0, model.InputBad},
		{"signal on the supply", ratio, 12, 12, 0, model.SensorFailed},
		{"sender between pairs", sender, 65, 0, 3e5, 0},
		{"sender at its end", sender, 184, 0, 10e5, 0},
		{"sender beyond its end", sender, 200, 0, 0, model.Implausible},
		{"sender open", sender, 5000, 0, 0, model.SensorFailed},
		{"sender shorted", sender, 0.4, 0, 0, model.SensorFailed},
		{"falling table", falling, 68, 0, 0.75, 0},
		{"Pt100 open", pt, 4000, 0, 0, model.SensorFailed},
		{"Pt100 shorted", pt, 1.2, 0, 0, model.SensorFailed},
		{"thermistor open", ntc, 5e6, 0, 0, model.SensorFailed},
		{"thermistor shorted", ntc, 0, 0, 0, model.SensorFailed},
		{"thermocouple open", couple1, 0.080, 25, 0, model.SensorFailed},
		{"thermocouple far reversed", couple1, -0.0080, 25, 0, model.SensorFailed},
		{"terminals at no temperature", couple1, 0.004, 700, 0, model.InputBad},
	} {
		v, cause := physicalValue(c.s, c.signal, c.beside)
		if cause != c.cause {
			t.Errorf("%s: %v, want %v", c.name, cause, c.cause)
		} else if cause == model.NoCause {
			reference.Near(t, c.name, v, c.want, 1e-6*max(1, c.want))
		}
	}
}

func TestWireOfTwoWireSensorIsTakenOff(t *testing.T) {
	s := &model.Sensor{Kind: model.ResistanceThermometer, R0: 100, Leads: 1}
	v, _ := physicalValue(s, 139.5055, 0)
	reference.Near(t, "with 1 ohm taken off", v, 100, 0.01)
	reference.Near(t, "K for one ohm", leadError(100, 20), 2.57, 0.01)
}

func TestCalibrationGoesThroughBothPoints(t *testing.T) {
	s := *loop
	s.Calibration = &model.Calibration{Shown: [2]float64{0.1e5, 8.2e5}, True: [2]float64{0, 8e5}}
	low, _ := Signal(loop, 0.1e5, 0)
	high, _ := Signal(loop, 8.2e5, 0)
	v, _ := physicalValue(&s, low, 0)
	w, _ := physicalValue(&s, high, 0)
	reference.Near(t, "low point", v, 0, 1e-6)
	reference.Near(t, "high point", w, 8e5, 1e-6)
}

// What a sensor signals at a value reads back as that value.
func TestBothWaysAgree(t *testing.T) {
	hart := &model.Sensor{Kind: model.ThermistorSteinhart, Hart: [3]float64{1.104159125e-3, 2.389179467e-4, 6.931626526e-8}}
	pulse := &model.Sensor{Kind: model.PulseSensor, PerOne: 120}
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.Float64Range(-40, 140).Draw(t, "°C")
		share := rapid.Float64Range(0, 1).Draw(t, "share")
		cold := rapid.Float64Range(-20, 60).Draw(t, "cold")
		for name, c := range map[string]struct {
			s      *model.Sensor
			v, one float64
		}{
			"platinum": {pt, at, 0}, "beta": {ntc, at, 0}, "Steinhart-Hart": {hart, at, 0}, "couple": {couple1, 5 * at, cold},
			"loop": {loop, 10e5 * share, 0}, "ratio": {ratio, 10e5 * share, 10 + cold/10}, "table": {sender, 10e5 * share, 0},
			"falling": {falling, share, 0}, "pulses": {pulse, 25 * share, 0},
		} {
			signal, ok := Signal(c.s, c.v, c.one)
			v, cause := physicalValue(c.s, signal, c.one)
			if !ok || cause != model.NoCause || v-c.v > 1e-5*max(1, c.v) || c.v-v > 1e-5*max(1, c.v) {
				t.Fatalf("%s: %v gives %v gives %v (%v)", name, c.v, signal, v, cause)
			}
		}
	})
}

// A table with rising values never falls in between.
func TestTableKeepsRising(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(10, 184).Draw(t, "a")
		b := rapid.Float64Range(a, 184).Draw(t, "b")
		v, _ := physicalValue(sender, a, 0)
		w, _ := physicalValue(sender, b, 0)
		if w < v {
			t.Fatalf("%v ohm gives %v, %v ohm gives %v", a, v, b, w)
		}
	})
}

func TestSenseHandsCausesOn(t *testing.T) {
	points := []model.Point{
		{ID: "coolant.temperature", Low: -40, High: 140, Sensor: &model.Sensor{Kind: model.ResistanceThermometer, R0: 100, Raw: "coolant.temperature.raw"}},
		{ID: "exhaust.temperature", Sensor: &model.Sensor{Kind: model.ThermocoupleSensor, Couple: "K", ColdPoint: "terminals", Raw: "exhaust.temperature.raw"}},
		{ID: "elsewhere", Sensor: &model.Sensor{Kind: model.DirectSensor, Raw: "elsewhere.raw"}},
	}
	for _, c := range []struct {
		name          string
		raw           []model.Sample
		coolant, hot  model.Cause
		coolantValue  float64
		wantedSamples int
	}{
		{"both read", []model.Sample{model.GoodSample("coolant.temperature.raw", 130.8969), model.GoodSample("exhaust.temperature.raw", 0.011208), model.GoodSample("terminals", 25)}, 0, 0, 80, 2},
		{"device lost", []model.Sample{model.BadSample("coolant.temperature.raw", model.NoAnswer), model.BadSample("exhaust.temperature.raw", model.NoAnswer), model.BadSample("terminals", model.NoAnswer)}, model.NoAnswer, model.NoAnswer, 0, 2},
		{"junction lost", []model.Sample{model.GoodSample("coolant.temperature.raw", 130.8969), model.GoodSample("exhaust.temperature.raw", 0.011208), model.BadSample("terminals", model.SensorFailed)}, 0, model.InputBad, 80, 2},
		{"too hot to be true", []model.Sample{model.GoodSample("coolant.temperature.raw", 200), model.GoodSample("exhaust.temperature.raw", 0.2)}, model.Implausible, model.InputBad, 0, 2},
	} {
		scan := &model.Scan{Samples: c.raw, Measured: len(c.raw)}
		Sense(points, scan)
		if got := len(scan.Samples) - scan.Measured; got != c.wantedSamples {
			t.Errorf("%s: %d values", c.name, got)
		}
		coolant, _ := scan.Find("coolant.temperature")
		hot, _ := scan.Find("exhaust.temperature")
		if coolant.Cause != c.coolant || hot.Cause != c.hot {
			t.Errorf("%s: %v and %v", c.name, coolant.Cause, hot.Cause)
		}
		if c.coolant == model.NoCause {
			reference.Near(t, c.name, coolant.Value, c.coolantValue, 0.01)
		}
	}
}

func TestTrialsShowARange(t *testing.T) {
	for _, s := range []*model.Sensor{loop, volts, ratio, sender, falling, pt, ntc, couple1, {Kind: model.PulseSensor, PerOne: 60}} {
		all := Trials(s)
		if len(all) != 5 {
			t.Errorf("%v: %d trials", s.Kind, len(all))
		}
		for _, one := range all {
			if one.Cause != model.NoCause {
				t.Errorf("%v at %v: %v", s.Kind, one.Signal, one.Cause)
			}
		}
	}
	if last := Trials(loop)[4]; last.Signal != 0.020 || last.Value != 10e5 {
		t.Errorf("the loop ends at %+v", last)
	}
}

// What check says of a calibration: its day, whether it still counts, and that
// nobody can tell without a day.
func TestRemarksTellOfTheCalibration(t *testing.T) {
	now := time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)
	for on, want := range map[time.Time]string{
		now.AddDate(0, -2, 0):  "calibrated on 2026-09-25, valid for 12 months",
		now.AddDate(0, -14, 0): "its calibration of 2025-09-25 is older than 12 months: calibrate it again, or enter valid .. months",
		{}:                     "the calibration date is missing, validity not known: enter for example on 2026-03-01",
	} {
		s := *loop
		s.Calibration = &model.Calibration{Shown: [2]float64{0, 8e5}, True: [2]float64{0, 8.1e5}, Validity: model.Validity{On: on}}
		all := Remarks(&s, now)
		if last := all[len(all)-1]; last != want {
			t.Errorf("%q, want %q", last, want)
		}
	}
}
