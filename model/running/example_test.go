package running

import (
	"fmt"
	"time"

	"tickover/model"
)

// A diesel engine on the pickup and the battery alone: the starter turns it at 200 r/min (common
// practice: no more than 300), then it runs at its rated 1500 r/min.
func ExampleEngine() {
	e := New(model.Rating{Frequency: 50, Poles: 4, Battery: 12})
	for s := range 40 {
		speed, volts := 0.0, 12.6
		switch {
		case s >= 10:
			speed, volts = 1500, 14.1
		case s >= 5:
			speed, volts = 200, 10.2
		}
		_, change := e.Step(&model.Scan{
			At: model.Instant{Boot: 1, Offset: time.Duration(s) * time.Second},
			Samples: []model.Sample{
				model.GoodSample(model.SpeedPoint, speed/60),
				model.GoodSample(model.BatteryVoltage, volts),
			}})
		if change != nil {
			fmt.Printf("%d s %s: %s\n", s, change.To, change.Evidence)
		}
	}
	// Output:
	// 0 s standstill: speed 0 r/min, battery 12.6 V
	// 5 s cranking: speed 200 r/min, battery 10.2 V
	// 10 s running up: speed 1500 r/min, battery 14.1 V
	// 11 s unloaded: speed 1500 r/min, battery 14.1 V
}

// One crank of 5 s and 60 s of running make a run, which lasts from 10 s before the crank to
// 30 min after the stop.
func ExampleRuns() {
	at := func(s int, from, to model.EngineState) model.Event {
		return model.Event{Kind: model.EngineEvent,
			At:     model.Instant{Boot: 1, Offset: time.Duration(s) * time.Second},
			Engine: &model.StateChange{From: from, To: to}}
	}
	runs := Runs([]model.Event{
		at(0, model.EngineUnknown, model.Standstill),
		at(100, model.Standstill, model.Cranking),
		at(105, model.Cranking, model.Unloaded),
		at(165, model.Unloaded, model.Standstill),
	}, model.Instant{Boot: 1, Offset: time.Hour})
	for _, r := range runs {
		fmt.Printf("from %s to %s: %d crank, %d start, ran %s\n",
			r.Started.Offset, r.Ended.Offset, r.Cranks, r.Starts, r.Running)
	}
	// Output: from 1m30s to 32m45s: 1 crank, 1 start, ran 1m0s
}
