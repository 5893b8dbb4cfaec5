package performance

import (
	"fmt"
	"time"

	"tickover/model"
)

// 52.5 Hz at no load and 50 Hz at rated load are a droop of 5 %: the no-load maximum of class G2
// in DGUV 203-032 (testdata/reference/droop_examples.csv). Exactly at the limit, the measurement
// uncertainty leaves the verdict open.
func ExampleRecord() {
	rating := model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50, Class: "G2"}
	run := model.Run{ID: "1", States: []model.StateSpan{{State: model.Loaded, From: instant(0), To: instant(400)}}}
	rec, err := Record(Input{Run: run, Rating: rating, Scans: func(yield func(*model.Scan, error) bool) {
		for s := range 390 {
			hertz, watts := 52.5, 0.0
			if s >= 150 {
				hertz, watts = 50, 40e3
			}
			if !yield(&model.Scan{At: instant(float64(s)), Samples: []model.Sample{
				model.GoodSample(model.FrequencyPoint, hertz), model.GoodSample(model.PowerActive, watts),
			}}, nil) {
				return
			}
		}
	}})
	f := rec.Figures[0]
	fmt.Printf("%s %.2f %s, limit %s: %s %v\n", f.Name, f.Value, f.Unit, f.Limit, f.Verdict, err)
	fmt.Println(f.Note)
	// Output:
	// frequency droop 5.00 %, limit ≤ 5 %: not determined <nil>
	// 52.5 Hz at no load, 50 Hz at 100 % of rated power
}

// What one reading a second shows of the recovery times of ISO 8528-5 for frequency: 10, 5 and
// 3 s in classes G1 to G3.
func ExampleSightOf() {
	for _, c := range SightOf(time.Second, 0, true).Recovery {
		fmt.Printf("%s: limit %s, shown for a recovery in %s at most\n", c.Class, c.Limit, c.Room)
	}
	// Output:
	// G1: limit 10s, shown for a recovery in 5.5s at most
	// G2: limit 5s, shown for a recovery in 500ms at most
	// G3: limit 3s, shown for a recovery in 0s at most
}

// The steady-state band of class G2: 1.5 % of rated frequency wide, and voltage within ±2.5 %
// (ISO 8528-5 Table 4).
func ExampleSteadyBands() {
	frequency, voltage, title := SteadyBands("G2", nil)
	fmt.Printf("%s: %.1f %% wide, ±%.1f %%\n", title, 100*frequency, 100*voltage)
	// Output: ISO 8528-5 G2: 1.5 % wide, ±2.5 %
}
