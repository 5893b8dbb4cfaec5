package steady

import (
	"fmt"
	"strings"

	"tickover/model"
	"tickover/model/plant"
)

// Five per cent of 40 kW are 2 kW; 1 kW is less.
func ExampleStepThreshold() {
	fmt.Println(StepThreshold(model.Rating{ApparentPower: 50e3, PowerFactor: 0.8}), "W")
	fmt.Println(StepThreshold(model.Rating{ApparentPower: 10e3, PowerFactor: 0.8}), "W")
	// Output:
	// 1000 W
	// 400 W
}

// A set at constant load is ready for the next step after five minutes at rated speed.
func ExampleMonitor() {
	m := NewMonitor(plant.HatcheryRating())
	for s := 1; s <= 301; s++ {
		r := m.Step(&model.Scan{At: instant(float64(s)), Samples: []model.Sample{
			model.GoodSample(model.FrequencyPoint, 51),
			model.GoodSample(model.VoltageL12, 400),
			model.GoodSample(model.PowerActive, 20e3),
			model.GoodSample(model.CoolantTemperature, 82),
			model.GoodSample(model.OilPressure, 3.2e5),
		}}, model.Loaded, nil)
		if s == 200 || s == 301 {
			fmt.Printf("%d s: ready %v, %s left\n%s\n", s, r.Ready, r.Left, strings.Join(r.Unmet, "\n"))
		}
	}
	// Output:
	// 200 s: ready false, 1m41s left
	// Load unchanged for 3 min 19 s of 5 min
	// Coolant temperature observed for 3 min 19 s of 5 min
	// Oil pressure observed for 3 min 19 s of 5 min
	// 301 s: ready true, 0s left
}
