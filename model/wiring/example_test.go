package wiring

import (
	"fmt"
	"time"

	"tickover/model"
)

// A gauge that reads 0.8 bar too much at three pressures is offset (common practice).
func ExampleGauges() {
	var hand []model.Event
	for i, bar := range []float64{0, 2, 4} {
		hand = append(hand, model.Event{Seq: uint64(i + 1), Hand: &model.Measurement{
			Kind: model.PanelGaugeKind, Points: "oil.pressure", Quantity: model.Pressure, Value: (bar + 0.8) * 1e5,
			Conditions: map[string]float64{model.SensorReading: bar * 1e5}}})
	}
	for _, c := range Gauges(hand) {
		fmt.Printf("%s: %s\n%s\n", c.Title, c.Words, c.Do)
	}
	// Output:
	// panel gauge of oil.pressure: offset by 0.80 bar
	// adjust its pointer, or mark the correction next to it
}

// A heater of 2 kW is moved from outlet to outlet, L1 to L3. The transformer of L2 is reversed:
// its power is negative.
func ExampleWalker_reversed() {
	w := NewWalker(model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50})
	for s := range 200 {
		scan := &model.Scan{At: model.Instant{Boot: 1, Offset: time.Duration(s) * time.Second}}
		for k := range 3 {
			amps := 0.0
			if on := s / 50; s%50 >= 20 && on == k {
				amps = 2000.0 / 230
			}
			sign := 1.0
			if k == 1 {
				sign = -1
			}
			scan.Samples = append(scan.Samples,
				model.GoodSample(model.PhaseVoltages[k], 230),
				model.GoodSample(model.PhaseCurrents[k], amps),
				model.GoodSample(model.PhaseActive[k], sign*230*amps),
				model.GoodSample(model.PhaseReactive[k], 0))
		}
		w.Step(scan)
	}
	fmt.Println(w.Result(2000).Words)
	// Output:
	// the current transformer on the input of L2 is reversed
}
