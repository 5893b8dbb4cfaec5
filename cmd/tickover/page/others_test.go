package page

import (
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// A contact is shown in words, a value with its unit, and what is old or failed is
// never shown as live.
func TestOtherReadingsAreShownWithWhatTheyMean(t *testing.T) {
	s := hatchery()
	var points []model.Point
	for _, p := range []model.PointID{model.EmergencyStop, model.CoolantLevelSwitch, model.WindingL2, model.BearingTemperature, model.NeutralToEarth} {
		q, _ := model.KnownQuantity(p)
		points = append(points, model.Point{ID: p, Quantity: q, Device: "alternator"})
	}
	s.setup.Devices = append(s.setup.Devices, model.Device{Name: "alternator", Points: points})
	show := func(p model.PointID, v float64, age time.Duration) {
		s.snap.Readings[p] = model.Reading{Sample: model.GoodSample(p, v), Last: v, At: now.Add(-age), Good: now.Add(-age)}
	}
	show(model.EmergencyStop, 1, 0)
	show(model.CoolantLevelSwitch, 0, 0)
	show(model.WindingL2, 121, 0)
	show(model.NeutralToEarth, 3, time.Minute)
	s.snap.Readings[model.BearingTemperature] = model.Reading{Sample: model.BadSample(model.BearingTemperature, model.SensorFailed)}
	body := ask(serve(s, Options{}), "GET", "/", "").Body.String()
	want := "emergency stop OPERATED, coolant level enough, winding L2 121.0 °C, bearing — (sensor failed), neutral to earth — (too old)"
	if !strings.Contains(body, want) {
		t.Errorf("%q is missing in:\n%s", want, body)
	}
}
