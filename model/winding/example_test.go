package winding

import (
	"fmt"
	"time"

	"tickover/model"
)

// 25 MΩ at 50 °C is 50 MΩ at 40 °C by the halving rule of IEEE 43: an example of an
// insulation guide (testdata/reference/ieee43_examples.csv).
func ExampleJudge() {
	m := &model.Measurement{Kind: model.InsulationKind, Points: "U-E", Quantity: model.Resistance,
		Value: 25e6, Conditions: map[string]float64{model.WindingTemperature: 50}}
	f := Judge(m, model.Rating{Voltage: 400}, time.Time{})[0]
	fmt.Printf("%s: %.0f %s, limit %s: %s\n", f.Name, f.Value, f.Unit, f.Limit, f.Verdict)
	// Output: insulation at 40 °C, halving rule: 50 MΩ, limit ≥ 5 MΩ: within
}

// An earth continuity of 0.3 ohm exceeds the 0.1 ohm of common practice.
func ExampleJudge_earth() {
	m := &model.Measurement{Kind: model.EarthKind, Points: "frame-bar", Quantity: model.Resistance, Value: 0.3}
	f := Judge(m, model.Rating{}, time.Time{})[0]
	fmt.Printf("%s %.1f %s, limit %s: %s, %s\n", f.Name, f.Value, f.Unit, f.Limit, f.Verdict, f.Reason)
	// Output: earth continuity 0.3 Ω, limit ≤ 0.1 Ω: outside, a joint is corroded or loose
}

// Copper of 0.500 ohm at 20 °C that has 0.600 ohm after a run is at 70.9 °C: resistance method
// of IEC 60034-1, 234.5 + t (from memory).
func ExampleRows() {
	at := func(seq uint64, stage string, ohms float64) model.Event {
		return model.Event{Seq: seq, Hand: &model.Measurement{Kind: model.WindingKind, Points: "U",
			Quantity: model.Resistance, Value: ohms, Stage: stage,
			Conditions: map[string]float64{model.WindingTemperature: 20}}}
	}
	rows := Rows([]model.Event{at(1, "before", 0.5), at(2, "after", 0.6)}, model.Rating{}, model.Clock{})
	f := rows[0].Figures[1]
	fmt.Printf("%s: %.1f %s\n", f.Name, f.Value, f.Unit)
	// Output: mean winding temperature by resistance: 70.9 °C
}
