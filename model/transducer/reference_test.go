package transducer

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"tickover/model"
)

// rows reads a table of testdata/reference as maps by column; its lines of
// source are comments.
func rows(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%s: %v, %d rows", name, err, len(all))
	}
	var out []map[string]string
	for _, row := range all[1:] {
		m := map[string]string{}
		for i, cell := range row {
			m[all[0][i]] = cell
		}
		out = append(out, m)
	}
	return out
}

func number(t *testing.T, row map[string]string, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(row[column], 64)
	if err != nil {
		t.Fatalf("column %s of %v: %v", column, row, err)
	}
	return v
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s = %.6f, want %.6f ± %g", what, got, want, within)
	}
}

// Every row of IEC 60751, both ways, for Pt100 and Pt1000, with the tolerance
// classes.
func TestPlatinumPoints(t *testing.T) {
	pt100 := &model.Sensor{Kind: model.ResistanceThermometer, R0: 100}
	pt1000 := &model.Sensor{Kind: model.ResistanceThermometer, R0: 1000}
	points := rows(t, "iec60751_points.csv")
	if len(points) != 106 {
		t.Fatalf("%d rows", len(points))
	}
	for _, row := range points {
		at, ohms := number(t, row, "t_C"), number(t, row, "R_Pt100_ohm_4dp")
		got, ok := Signal(pt100, at, 0)
		near(t, row["t_C"]+" °C in ohm", got, ohms, 0.01)
		near(t, row["t_C"]+" °C in ohm, four digits", got, ohms, 6e-5)
		if !ok {
			t.Errorf("no signal at %v °C", at)
		}
		v, cause := Value(pt100, ohms, 0)
		near(t, row["R_Pt100_ohm_4dp"]+" ohm", v, at, 0.01)
		if cause != model.NoCause {
			t.Errorf("%v ohm: %v", ohms, cause)
		}
		v, _ = Value(pt1000, number(t, row, "R_Pt1000_ohm"), 0)
		near(t, row["R_Pt1000_ohm"]+" ohm", v, at, 0.01)
		if seen, err := strconv.ParseFloat(row["published_value_seen"], 64); err == nil && row["check"] == "match" {
			near(t, "published ohm", got, seen, 0.0051)
		}
		for _, class := range []string{"AA", "A", "B"} {
			tol, _ := PlatinumTolerance(class, at)
			near(t, "tolerance "+class, tol, number(t, row, "tol_"+class+"_C"), 5.1e-4)
		}
	}
}

// Every row of ITS-90 for K, J and T. The value back must be closer than the
// published inverse polynomial's own error, and agree with that one within it.
func TestThermocouplePoints(t *testing.T) {
	points := rows(t, "thermocouple_points.csv")
	if len(points) < 360 {
		t.Fatalf("%d rows", len(points))
	}
	for _, row := range points {
		kind, at := row["type"], number(t, row, "t_C")
		name := "type " + kind + " at " + row["t_C"] + " °C"
		mv := EMF(kind, at)
		near(t, name, mv, number(t, row, "E_mV_3dp"), 5.1e-4)
		near(t, name+", six digits", mv, number(t, row, "E_mV_6dp"), 1.1e-6)
		if seen, err := strconv.ParseFloat(row["table_value_recalled_mV"], 64); err == nil {
			near(t, name+", printed table", mv, seen, 5.1e-4)
		}
		back := CoupleTemperature(kind, mv)
		near(t, name+", back", back, at, 1e-4)
		if row["inverse_t_C"] == "" {
			continue
		}
		slip := number(t, row, "inverse_error_C")
		near(t, name+", against the inverse polynomial", back, number(t, row, "inverse_t_C")-slip, 0.011)
	}
}

func TestThermistorTable(t *testing.T) {
	hart := SteinhartFit([3]float64{32128, 9814, 3542}, [3]float64{0, 25, 50})
	near(t, "A", hart[0], 1.104159125e-3, 1e-11)
	near(t, "B", hart[1], 2.389179467e-4, 1e-12)
	near(t, "C", hart[2], 6.931626526e-8, 1e-15)
	other := SteinhartFit([3]float64{25000, 10000, 4000}, [3]float64{5, 25, 45})
	near(t, "A of the second example", other[0], 2.108508173e-3, 1e-11)
	near(t, "B of the second example", other[1], 7.979204727e-5, 1e-12)
	near(t, "C of the second example", other[2], 6.535076315e-7, 1e-15)
	steinhart := &model.Sensor{Kind: model.ThermistorSteinhart, Hart: hart}
	beta := &model.Sensor{Kind: model.ThermistorBeta, R0: 9814, T0: 25, Beta: 3927.6}
	for _, row := range rows(t, "ntc_example.csv") {
		ohms := number(t, row, "R_ohm")
		v, cause := Value(steinhart, ohms, 0)
		near(t, row["R_ohm"]+" ohm by Steinhart-Hart", v, number(t, row, "T_steinhart_C"), 1e-4)
		if row["remark"] == "check" {
			near(t, row["R_ohm"]+" ohm, published", v, number(t, row, "T_published_C"), 0.003)
		}
		w, _ := Value(beta, ohms, 0)
		near(t, row["R_ohm"]+" ohm by beta", w, number(t, row, "T_beta_C"), 1e-3)
		back, ok := Signal(steinhart, v, 0)
		near(t, "ohm back", back, ohms, 1e-6*ohms)
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
	near(t, "signal in V", mv, 11.208e-3, 1e-6)
	v, cause := Value(s, 11.2086e-3, 25)
	near(t, "with the junction", v, 300, 0.02)
	w, _ := Value(s, 11.2086e-3, 0)
	near(t, "without the junction", w, 275.8, 0.1)
	if !ok || cause != model.NoCause {
		t.Error(ok, cause)
	}
}
