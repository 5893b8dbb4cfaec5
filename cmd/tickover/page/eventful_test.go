package page

import (
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// eventful is the hatchery with everything on its pages: readings to plot, an
// alarm of each kind put aside, unmet criteria, a photo.
func eventful() *fakeRecord {
	s := hatchery()
	snap := *s.snap
	snap.Alarms = []model.AlarmStatus{
		{Rule: batteryLow, State: model.AlarmUnacknowledged, Since: now.Add(-time.Minute), Value: 12.4, Quality: model.Good, Limit: 13.2, Watching: true},
		{Rule: oilLow, State: model.AlarmShelved, Since: now.Add(-time.Minute), Until: now.Add(time.Hour), Why: "sender changed"},
		{Rule: model.AlarmRule{ID: "fuel.low", Label: "Fuel low", Priority: model.Information}, Why: "fuel.level is not read"}}
	snap.Ready = model.Readiness{Unmet: []string{"the load is held for 2:10 of 5:00"}, Unasked: []string{"oil pressure is not read"}, Left: 170 * time.Second,
		Held: 130 * time.Second, Frequency: model.Swing{Known: true, Mean: 50.62, Width: 0.21, Over: 10 * time.Second}, Voltage: model.Swing{Known: true, Mean: 231.4, Width: 1.2, Over: 10 * time.Second}}
	s.snap = &snap
	s.setup.Rating = model.Rating{Name: "Standby set", ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50}
	s.events = append(s.events, model.Event{Seq: 5, At: at(41 * time.Minute), Kind: model.RemarkEvent, Text: "white smoke", Who: "Marta", Photo: 1})
	s.notes = []api.Note{{Photo: tiny}}
	s.report = `<!DOCTYPE html><html lang="en"><head><title>Report</title></head><body><main><h1>Report</h1></main></body></html>`
	for t := time.Duration(0); t < time.Hour; t += time.Second {
		scan := &model.Scan{At: at(t)}
		for p, v := range map[model.PointID]float64{model.FrequencyPoint: 50.1, model.VoltageL1N: 230, model.VoltageL2N: 231, model.VoltageL3N: 232, model.PowerActive: 14000, model.OilPressure: 3e5} {
			scan.Samples = append(scan.Samples, model.GoodSample(p, v+v*0.002*float64(t/time.Second%7)))
		}
		s.scans = append(s.scans, scan)
	}
	s.steps = []model.Instant{at(56 * time.Minute)}
	return s
}

// tiny is the smallest PNG there is: one pixel.
var tiny = []byte("\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x00\x01\x00\x00\x00\x01\x08\x06\x00\x00\x00\x1f\x15\xc4\x89\x00\x00\x00\rIDATx\x9cc\xf8\x0f\x00\x00\x01\x01\x00\x05\x18\xd8N\x00\x00\x00\x00IEND\xaeB`\x82")
