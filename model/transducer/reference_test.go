package transducer

import (
	"strconv"
	"testing"

	"tickover/model"
	"tickover/testdata/reference"
)

// Every row of IEC 60751, both ways, for Pt100 and Pt1000, with the tolerance
// classes.
func TestPlatinumPoints(t *testing.T) {
	pt100 := &model.Sensor{Kind: model.ResistanceThermometer, R0: 100}
	pt1000 := &model.Sensor{Kind: model.ResistanceThermometer, R0: 1000}
	points := reference.Rows(t, "iec60751_points.csv")
	if len(points) != 106 {
		t.Fatalf("%d rows", len(points))
	}
	for _, row := range points {
		at, ohms := row.Number(t, "t_C"), row.Number(t, "R_Pt100_ohm_4dp")
		got, ok := Signal(pt100, at, 0)
		reference.Near(t, row["t_C"]+" °C in ohm", got, ohms, 0.01)
		reference.Near(t, row["t_C"]+" °C in ohm, four digits", got, ohms, 6e-5)
		if !ok {
			t.Errorf("no signal at %v °C", at)
		}
		v, cause := Value(pt100, ohms, 0)
		reference.Near(t, row["R_Pt100_ohm_4dp"]+" ohm", v, at, 0.01)
		if cause != model.NoCause {
			t.Errorf("%v ohm: %v", ohms, cause)
		}
		v, _ = Value(pt1000, row.Number(t, "R_Pt1000_ohm"), 0)
		reference.Near(t, row["R_Pt1000_ohm"]+" ohm", v, at, 0.01)
		if seen, err := strconv.ParseFloat(row["published_value_seen"], 64); err == nil && row["check"] == "match" {
			reference.Near(t, "published ohm", got, seen, 0.0051)
		}
		for _, class := range []string{"AA", "A", "B"} {
			tol, _ := PlatinumTolerance(class, at)
			reference.Near(t, "tolerance "+class, tol, row.Number(t, "tol_"+class+"_C"), 5.1e-4)
		}
	}
}

// Every row of ITS-90 for K, J and T. The value back must be closer than the
// published inverse polynomial's own error, and agree with that one within it.
func TestThermocouplePoints(t *testing.T) {
	points := reference.Rows(t, "thermocouple_points.csv")
	if len(points) < 360 {
		t.Fatalf("%d rows", len(points))
	}
	for _, row := range points {
		kind, at := row["type"], row.Number(t, "t_C")
		name := "type " + kind + " at " + row["t_C"] + " °C"
		mv := EMF(kind, at)
		reference.Near(t, name, mv, row.Number(t, "E_mV_3dp"), 5.1e-4)
		reference.Near(t, name+", six digits", mv, row.Number(t, "E_mV_6dp"), 1.1e-6)
		if seen, err := strconv.ParseFloat(row["table_value_recalled_mV"], 64); err == nil {
			reference.Near(t, name+", printed table", mv, seen, 5.1e-4)
		}
		back := CoupleTemperature(kind, mv)
		reference.Near(t, name+", back", back, at, 1e-4)
		if row["inverse_t_C"] == "" {
			continue
		}
		slip := row.Number(t, "inverse_error_C")
		reference.Near(t, name+", against the inverse polynomial", back, row.Number(t, "inverse_t_C")-slip, 0.011)
	}
}

func TestThermistorTable(t *testing.T) {
	hart := SteinhartFit([3]float64{32128, 9814, 3542}, [3]float64{0, 25, 50})
	reference.Near(t, "A", hart[0], 1.104159125e-3, 1e-11)
	reference.Near(t, "B", hart[1], 2.389179467e-4, 1e-12)
	reference.Near(t, "C", hart[2], 6.931626526e-8, 1e-15)
	other := SteinhartFit([3]float64{25000, 10000, 4000}, [3]float64{5, 25, 45})
	reference.Near(t, "A of the second example", other[0], 2.108508173e-3, 1e-11)
	reference.Near(t, "B of the second example", other[1], 7.979204727e-5, 1e-12)
	reference.Near(t, "C of the second example", other[2], 6.535076315e-7, 1e-15)
	steinhart := &model.Sensor{Kind: model.ThermistorSteinhart, Hart: hart}
	beta := &model.Sensor{Kind: model.ThermistorBeta, R0: 9814, T0: 25, Beta: 3927.6}
	for _, row := range reference.Rows(t, "ntc_example.csv") {
		ohms := row.Number(t, "R_ohm")
		v, cause := Value(steinhart, ohms, 0)
		reference.Near(t, row["R_ohm"]+" ohm by Steinhart-Hart", v, row.Number(t, "T_steinhart_C"), 1e-4)
		if row["remark"] == "check" {
			reference.Near(t, row["R_ohm"]+" ohm, published", v, row.Number(t, "T_published_C"), 0.003)
		}
		w, _ := Value(beta, ohms, 0)
		reference.Near(t, row["R_ohm"]+" ohm by beta", w, row.Number(t, "T_beta_C"), 1e-3)
		back, ok := Signal(steinhart, v, 0)
		reference.Near(t, "ohm back", back, ohms, 1e-6*ohms)
		if cause != model.NoCause || !ok {
			t.Errorf("%v ohm: %v, %v", ohms, cause, ok)
		}
	}
}

// 300 °C with terminals at 25 °C gives 11.208 mV; leaving the junction out
// reads 275.8 °C (worked with the ITS-90 tables).
func TestColdJunctionIsAddedAsVoltage(t *testing.T) {
	s := &model.Sensor{Kind: model.ThermocoupleSensor, Couple: "K", ColdPoint: "terminals"}
	mv, ok := Signal(s, 300, 25)
	reference.Near(t, "signal in V", mv, 11.208e-3, 1e-6)
	v, cause := Value(s, 11.2086e-3, 25)
	reference.Near(t, "with the junction", v, 300, 0.02)
	w, _ := Value(s, 11.2086e-3, 0)
	reference.Near(t, "without the junction", w, 275.8, 0.1)
	if !ok || cause != model.NoCause {
		t.Error(ok, cause)
	}
}
