package transducer

import (
	"fmt"

	"tickover/model"
)

// A Pt100 at 100 °C has 138.51 ohm (table of IEC 60751); 1 ohm of lead is subtracted.
func ExampleSense() {
	coolant := model.Point{ID: model.CoolantTemperature, Sensor: &model.Sensor{
		Kind: model.ResistanceThermometer, R0: 100, Leads: 1, Raw: "coolant.temperature.raw"}}
	scan := &model.Scan{Samples: []model.Sample{model.GoodSample("coolant.temperature.raw", 139.5055)}}
	Sense([]model.Point{coolant}, scan)
	t, _ := scan.Find(model.CoolantTemperature)
	fmt.Printf("%.2f °C\n", t.Value)
	// Output: 100.00 °C
}

// A 4-20 mA pressure transmitter of 0 to 10 bar. NAMUR NE 43: a signal up to 3.6 mA is a failure.
func ExampleSense_currentLoop() {
	oil := model.Point{ID: model.OilPressure, Sensor: &model.Sensor{
		Kind: model.LinearSensor, Signal: model.Current, Raw: "oil.pressure.raw",
		In: [2]float64{0.004, 0.020}, Out: [2]float64{0, 10e5}}}
	for _, amps := range []float64{0.0091, 0.0036} {
		scan := &model.Scan{Samples: []model.Sample{model.GoodSample("oil.pressure.raw", amps)}}
		Sense([]model.Point{oil}, scan)
		p, _ := scan.Find(model.OilPressure)
		fmt.Printf("%.1f mA: %.2f bar, %s\n", 1000*amps, p.Value/1e5, p.Quality)
	}
	// Output:
	// 9.1 mA: 3.19 bar, good
	// 3.6 mA: 0.00 bar, bad
}

// A type K thermocouple at 300 °C with its terminals at 25 °C (ITS-90, NIST Monograph 175).
func ExampleSignal() {
	couple := &model.Sensor{Kind: model.ThermocoupleSensor, Couple: "K", ColdPoint: "terminals"}
	volts, ok := Signal(couple, 300, 25)
	fmt.Printf("%.2f mV %v\n", 1000*volts, ok)
	// Output: 11.21 mV true
}
