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
		v, cause := physicalValue(pt100, ohms, 0)
		reference.Near(t, row["R_Pt100_ohm_4dp"]+" ohm", v, at, 0.01)
		if cause != model.NoCause {
			t.Errorf("%v ohm: %v", ohms, cause)
		}
		v, _ = physicalValue(pt1000, row.Number(t, "R_Pt1000_ohm"), 0)
		reference.Near(t, row["R_Pt1000_ohm"]+" ohm", v, at, 0.01)
		if seen, err := strconv.ParseFloat(row["published_value_seen"], 64); err == nil && row["check"] == "match" {
			reference.Near(t, "published ohm", got, seen, 0.0051)
		}
		for _, class := range []string{"AA", "A", "B"} {
			tol, _ := platinumTolerance(class, at)
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
		mv := emf(kind, at)
		reference.Near(t, name, mv, row.Number(t, "E_mV_3dp"), 5.1e-4)
		reference.Near(t, name+", six digits", mv, row.Number(t, "E_mV_6dp"), 1.1e-6)
		if seen, err := strconv.ParseFloat(row["table_value_recalled_mV"], 64); err == nil {
			reference.Near(t, name+", printed table", mv, seen, 5.1e-4)
		}
		back := coupleTemperature(kind, mv)
		reference.Near(t, name+", back", back, at, 1e-4)
		if row["inverse_t_C"] == "" {
			continue
		}
		slip := row.Number(t, "inverse_error_C")
		reference.Near(t, name+", against the inverse polynomial", back, row.Number(t, "inverse_t_C")-slip, 0.011)
	}
}

func TestThermistorTable(t *testing.T) {
	hart := [3]float64{1.104159125e-3, 2.389179467e-4, 6.931626526e-8} // the fit of the table
	steinhart := &model.Sensor{Kind: model.ThermistorSteinhart, Hart: hart}
	beta := &model.Sensor{Kind: model.ThermistorBeta, R0: 9814, T0: 25, Beta: 3927.6}
	for _, row := range reference.Rows(t, "ntc_example.csv") {
		ohms := row.Number(t, "R_ohm")
		v, cause := physicalValue(steinhart, ohms, 0)
		reference.Near(t, row["R_ohm"]+" ohm by Steinhart-Hart", v, row.Number(t, "T_steinhart_C"), 1e-4)
		if row["remark"] == "check" {
			reference.Near(t, row["R_ohm"]+" ohm, published", v, row.Number(t, "T_published_C"), 0.003)
		}
		w, _ := physicalValue(beta, ohms, 0)
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
	v, cause := physicalValue(s, 11.2086e-3, 25)
	reference.Near(t, "with the junction", v, 300, 0.02)
	w, _ := physicalValue(s, 11.2086e-3, 0)
	reference.Near(t, "without the junction", w, 275.8, 0.1)
	if !ok || cause != model.NoCause {
		t.Error(ok, cause)
	}
}
