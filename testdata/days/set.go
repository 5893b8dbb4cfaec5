// Package days makes up generator sets and days of their lives, drawn from a
// seed: what the machine truly does, and what its instruments show of that.
// Alarms are judged against it, so it knows nothing of how they are decided.
//
// Everything drawn stays inside what the nameplate, the makers' card and the
// performance class of ISO 8528-5 permit, until a danger is let in. A Day belongs to one
// goroutine.
package days

import (
	"math"
	"math/rand/v2"
	"time"

	"tickover/model"
)

// Set is one generator set with its instruments. Ratios are of rated values.
type Set struct {
	Rating  model.Rating
	Devices []Device

	Step Step // how it answers to full load

	droop, setting float64 // of the governor: droop, and frequency at full load over rated
	swing          float64 // of the frequency at constant load, from the middle
	volts          float64 // of the regulator's setting, over rated
	oil            float64 // Pa, warm at rated speed
	oilRise        float64 // s that the pump needs
	coolant        float64 // °C at full load
	ambient        float64 // °C
	warmth         float64 // °C of the coolant at the start of the day
	idleSpeed      float64 // of rated; 0 starts straight to rated speed
	charge         float64 // V of a charged 12 V battery under its charger
	rest           float64 // V of it at rest
	fuel           float64
	exciter        bool    // it is excited
	runDown        float64 // s from rated speed to rest
}

// Step is what full load does, coming or going at once.
type Step struct {
	Frequency float64 // peak of the deviation, over rated
	Voltage   float64
	Tau       float64 // s; a deviation has its peak after so long and is gone after seven times
}

// Device is one device on the line.
type Device struct {
	Name   string
	Every  time.Duration
	Points []model.PointID
	SetFed bool    // it lives on the set's own voltage
	Lost   float64 // share of rounds without an answer
}

// Has reports whether a device of the set gives a point.
func (s *Set) Has(points ...model.PointID) bool {
	for _, p := range points {
		found := false
		for _, d := range s.Devices {
			for _, q := range d.Points {
				found = found || p == q
			}
		}
		if !found {
			return false
		}
	}
	return true
}

// Points describes the set's points as a configuration would.
func (s *Set) Points() map[model.PointID]model.Point {
	points := map[model.PointID]model.Point{}
	for _, d := range s.Devices {
		for _, p := range d.Points {
			points[p] = model.Point{ID: p, Device: d.Name, Every: d.Every}
		}
	}
	return points
}

// between draws evenly from lo to hi.
func between(r *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }

func oneOf[T any](r *rand.Rand, all ...T) T { return all[r.IntN(len(all))] }

func chance(r *rand.Rand, p float64) bool { return r.Float64() < p }

// DrawSet draws any set.
func DrawSet(r *rand.Rand) *Set {
	class := oneOf(r, "G1", "G2", "G3")
	return DrawSetOf(r, class, oneOf(r, 50.0, 60.0), oneOf(r, 12.0, 24.0))
}

// DrawSetOf draws a set of a class, a frequency and a battery. Its card says
// what its maker would, and is silent where what is usual holds.
func DrawSetOf(r *rand.Rand, class string, hertz, battery float64) *Set {
	most := map[string]struct{ droop, band, rise, dip, recovery, up float64 }{
		"G1": {0.08, 0.025, 0.18, 0.15, 10, 0.35},
		"G2": {0.05, 0.015, 0.12, 0.10, 5, 0.25},
		"G3": {0.03, 0.005, 0.10, 0.07, 3, 0.20},
	}[class]
	s := &Set{Rating: model.Rating{Name: "drawn", Class: class, PowerFactor: 0.8, Frequency: hertz, Battery: battery,
		ApparentPower: math.Round(between(r, 20, 60)) * 1000, Poles: oneOf(r, 2, 4, 4, 4)}}
	s.Rating.Voltage = oneOf(r, 400.0, 415)
	if hertz == 60 {
		s.Rating.Voltage = oneOf(r, 208.0, 480)
	}
	s.droop = between(r, 0.3, 1) * most.droop
	s.setting = between(r, 0.995, 1.004)
	s.swing = between(r, 0.02, 0.35) * most.band
	s.volts = between(r, 0.985, 1.015)
	peak := min(most.rise, most.dip)
	s.Step = Step{Frequency: between(r, 0.2, 0.9) * peak, Voltage: between(r, 0.2, 0.8) * most.dip, Tau: between(r, 0.15, 0.95) * most.recovery / 8}
	s.oil = between(r, 2.8, 5) * 1e5
	if s.Rating.Poles == 2 {
		s.oil = between(r, 4.8, 6) * 1e5
	}
	s.oilRise = between(r, 0.5, 1.5)
	s.ambient = between(r, 0, 36)
	s.warmth = between(r, s.ambient, 75)
	if chance(r, 0.6) {
		s.idleSpeed = between(r, 0.48, 0.62)
	}
	s.charge, s.rest = between(r, 13.6, 14.4), between(r, 12.5, 12.9)
	s.fuel = between(r, 0.45, 0.95)
	s.exciter, s.runDown = true, between(r, 4, 14)
	s.card(r)
	s.instruments(r)
	return s
}

// card draws what the makers' papers say, and the engine to it.
func (s *Set) card(r *rand.Rand) {
	c := &s.Rating.Card
	opens, full := 82.0, 88.0
	if chance(r, 0.5) {
		opens = math.Round(between(r, 71, 88))
		full = opens + math.Round(between(r, 4, 10))
		c.ThermostatOpens, c.ThermostatFullOpen = opens, full
	}
	s.coolant = full + between(r, -3, 7.5)
	if chance(r, 0.5) {
		c.Droop = s.droop
	}
	if chance(r, 0.3) {
		c.Unbalance = between(r, 0.08, 0.33)
	}
	c.StoppedBy = oneOf(r, model.BySolenoid, model.ByActuator, model.ByStopButton, model.ByLever)
	c.OverloadHour = chance(r, 0.2)
	c.Insulation = oneOf(r, model.InsulationUnknown, model.InsulationB, model.InsulationF, model.InsulationH)
}

// instruments draws what the set is watched by.
func (s *Set) instruments(r *rand.Rand) {
	engine := Device{Name: "engine", Every: oneOf(r, 500*time.Millisecond, time.Second, time.Second, 2*time.Second), Lost: between(r, 0, 0.02)}
	engine.Points = []model.PointID{model.BatteryVoltage}
	for _, p := range []model.PointID{model.OilPressure, model.CoolantTemperature, model.SpeedPoint, model.ChargeLamp, model.KeyOn} {
		if chance(r, 0.75) {
			engine.Points = append(engine.Points, p)
		}
	}
	for _, p := range []model.PointID{model.OilSwitch, model.OilTemperature, model.AmbientTemperature, model.ExhaustTemperature, model.FuelLevel,
		model.CoolantLevelSwitch, model.EmergencyStop, model.MonoxidePoint, model.BearingTemperature, model.WindingL1} {
		if chance(r, 0.35) {
			engine.Points = append(engine.Points, p)
		}
	}
	meter := Device{Name: "meter", Every: oneOf(r, 500*time.Millisecond, time.Second, time.Second, 2*time.Second), Lost: between(r, 0, 0.02), SetFed: chance(r, 0.3)}
	meter.Points = append(meter.Points, model.FrequencyPoint)
	meter.Points = append(meter.Points, model.PhaseVoltages[:]...)
	meter.Points = append(meter.Points, model.PhaseCurrents[:]...)
	if chance(r, 0.7) {
		meter.Points = append(meter.Points, model.LineVoltages[:]...)
	}
	if chance(r, 0.85) {
		meter.Points = append(meter.Points, model.PowerActive)
	}
	if chance(r, 0.6) {
		meter.Points = append(meter.Points, model.PowerReactive)
	}
	if chance(r, 0.3) {
		meter.Points = append(meter.Points, model.CurrentN)
	}
	for _, p := range []model.PointID{model.NeutralToEarth, model.ResidualCurrent} {
		if chance(r, 0.2) {
			meter.Points = append(meter.Points, p)
		}
	}
	s.Devices = []Device{engine, meter}
}
