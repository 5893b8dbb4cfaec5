package report

import (
	"html"
	"strings"
	"testing"

	"tickover/model"
)

// A record with a gauge on the wrong curve and a winding that dries: what to
// add to the gauge is a table in text and page, the drying a curve over decades.
func TestCorrectionTableAndDryingCurve(t *testing.T) {
	rec := hatchery()
	rec.Gauges = []model.Check{{Code: "G.oil.pressure", Title: "panel gauge of oil.pressure", Outcome: model.Finding, Words: "its curve is wrong",
		Corrections: []model.Correction{{Quantity: model.Pressure, Shows: 1e5, Add: 0.5e5}, {Quantity: model.Pressure, Shows: 2e5, Add: 0.1e5}, {Quantity: model.Pressure, Shows: 3e5, Add: -0.25e5}}}}
	rec.DryOut = &model.DryOut{Points: "U-E", Words: "it rises"}
	for i, ohms := range []float64{0.5e6, 2e6, 8e6, 32e6} {
		rec.DryOut.Rows = append(rec.DryOut.Rows, model.DryOutRow{Hours: 2 * float64(i), Temperature: 60, Corrected: ohms})
	}
	out := outputs(t, rec, hatcheryClock(), nil)
	for _, name := range []string{"txt", "html"} {
		text := html.UnescapeString(string(out[name]))
		last := 0
		for _, want := range []string{"the gauge shows", "1.00 bar", "+0.50 bar", "2.00 bar", "+0.10 bar", "3.00 bar", "−0.25 bar", "From 3 readings compared with the sensor."} {
			i := strings.Index(text[last:], want)
			if i < 0 {
				t.Errorf("%s lacks %q in its place:\n%s", name, want, text[last:])
				break
			}
			last += i
		}
	}
	page := string(out["html"])
	for _, want := range []string{`<title id="drying-title">Insulation resistance while drying, U-E</title>`, "from 0.5 to 32 MΩ over 6 hours", ">0.1<", ">1<", ">10<", ">100<", ">2 h<", "From 3 readings"} {
		if !strings.Contains(page, want) {
			t.Errorf("the drying lacks %q", want)
		}
	}
	if strings.Count(page, "Drying") != 1 {
		t.Errorf("the drying is told %d times", strings.Count(page, "Drying"))
	}
	rec.DryOut.Rows = rec.DryOut.Rows[:1]
	if page := string(outputs(t, rec, hatcheryClock(), nil)["html"]); strings.Contains(page, "drying-title") {
		t.Error("a curve of one reading")
	}
}
