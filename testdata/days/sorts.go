package days

import (
	"math/rand/v2"
	"time"

	"tickover/model"
)

// Sort is a sort of ordinary day that alarms once cried wolf in. Came reports
// that the day came to what makes it hard.
type Sort struct {
	Name string
	Plan func(seed uint64) *Day
	Came func(*Day) bool
}

// everything is what a set with every instrument gives.
func everything(s *Set) *Set {
	s.Give(model.OilPressure, model.OilSwitch, model.OilTemperature, model.CoolantTemperature, model.SpeedPoint, model.ChargeLamp, model.KeyOn,
		model.AmbientTemperature, model.ExhaustTemperature, model.FuelLevel, model.CoolantLevelSwitch, model.EmergencyStop, model.MonoxidePoint,
		model.BearingTemperature, model.WindingL1, model.PowerActive, model.PowerReactive, model.CurrentN, model.NeutralToEarth, model.ResidualCurrent)
	s.Give(model.LineVoltages[:]...)
	return s
}

func of(seed uint64, class string, hertz, battery float64) *Set {
	return everything(DrawSetOf(rand.New(rand.NewPCG(seed, 4)), class, hertz, battery))
}

// Sorts lists them.
func Sorts() []Sort {
	return []Sort{
		{"pickup and battery only", func(seed uint64) *Day {
			s := of(seed, "G1", 50, 12)
			s.Devices = []Device{{Name: "engine", Every: time.Second, Points: []model.PointID{model.SpeedPoint, model.BatteryVoltage}}}
			return Ordinary(s, seed)
		}, (*Day).ran},
		{"meter fed by the set", func(seed uint64) *Day {
			s := of(seed, "G2", 50, 12)
			s.Devices[1].SetFed = true
			return Ordinary(s, seed)
		}, (*Day).ran},
		{"60 Hz", func(seed uint64) *Day { return Ordinary(of(seed, "G2", 60, 12), seed) }, func(d *Day) bool { return d.ran() && d.most.hertz > 59 }},
		{"24 V", func(seed uint64) *Day { return Ordinary(of(seed, "G1", 50, 24), seed) }, func(d *Day) bool { return d.ran() && d.most.battery > 27 }},
		{"excitation off to dry the windings", func(seed uint64) *Day {
			s := of(seed, "G1", 50, 12)
			s.exciter, s.Rating.ExcitationOff = false, true
			return Ordinary(s, seed, Load{}, Load{}, Load{}, Load{})
		}, func(d *Day) bool { return d.ran() && d.most.volts < 0.05 }},
		{"one phase up to the card's limit", func(seed uint64) *Day {
			s := of(seed, "G1", 50, 12)
			s.Rating.Unbalance = 0.33
			d := Ordinary(s, seed, s.OnePhase(0.98, int(seed%3)))
			off, _ := d.When("load off")
			d.wait(off, 30*time.Minute)
			return d
		}, func(d *Day) bool { return d.ran() && d.most.load > 0.3 }},
		{"electronics leading 0.9", func(seed uint64) *Day {
			return Ordinary(of(seed, "G2", 50, 12), seed, Even(0.2, -0.9), Even(0.4, -0.9), Even(0.3, -0.9))
		}, (*Day).ran},
		{"G1 with 8 % droop", func(seed uint64) *Day {
			s := of(seed, "G1", 50, 12)
			s.droop, s.Rating.Droop = 0.08, 0
			d := Ordinary(s, seed)
			load, _ := d.When("load")
			d.wait(load, 5*time.Minute)
			return d
		}, func(d *Day) bool { return d.ran() && d.most.hertz > 53.7 }},
		{"full load rejected inside G1", func(seed uint64) *Day {
			s := of(seed, "G1", 50, 12)
			s.Step = Step{Frequency: between(rand.New(rand.NewPCG(seed, 5)), 0.125, 0.14), Voltage: 0.2, Tau: 1.1}
			return Ordinary(s, seed, Even(0.5, 0.9), Even(1, 0.9), Even(0, 1), Even(0.97, 0.8))
		}, func(d *Day) bool { return d.ran() && d.most.hertz > 56 }},
		{"heat soak after the stop", func(seed uint64) *Day {
			s := of(seed, "G1", 50, 12)
			s.warmth, s.coolant = 85, 95.5
			s.Rating.ThermostatOpens, s.Rating.ThermostatFullOpen = 0, 0
			d := Ordinary(s, seed, Even(0.95, 0.9))
			off, _ := d.When("load off")
			d.wait(off, 5*time.Minute)
			d.Length += 10 * time.Minute
			return d
		}, func(d *Day) bool { return d.ran() && d.most.soaked > 99.5 }},
		{"stopped by its lever, the key first", func(seed uint64) *Day {
			s := of(seed, "G1", 50, 12)
			s.Rating.StoppedBy = model.ByLever
			return Ordinary(s, seed)
		}, (*Day).ran},
		{"the overload hour", func(seed uint64) *Day {
			s := of(seed, "G2", 50, 12)
			s.Rating.OverloadHour, s.Rating.PowerFactor = true, 0.8
			d := Ordinary(s, seed, Even(0.9, 0.85), Even(1.085, 0.85))
			off, _ := d.When("load off")
			d.wait(off, 50*time.Minute)
			return d
		}, func(d *Day) bool { return d.ran() && d.most.load > 1.05 }},
	}
}

// ran reports that the day had a start and a stop.
func (d *Day) ran() bool { return d.most.speed > 0.9 && d.stage == resting && d.stands > 0 }

// most is what was seen at the most in a day.
type most struct{ speed, hertz, battery, volts, load, soaked float64 }

func (d *Day) remember() {
	m := &d.most
	m.speed, m.battery, m.volts = max(m.speed, d.speed), max(m.battery, d.battery*d.Rating.Battery/12), max(m.volts, d.voltage())
	m.hertz, m.load = max(m.hertz, d.speed*d.Rating.Frequency), max(m.load, d.load.Power)
	if d.stage == resting && d.stands > 0 {
		m.soaked = max(m.soaked, d.coolant)
	}
}

// wait puts off all that was planned from a time on.
func (d *Day) wait(from, by time.Duration) {
	for i := range d.Acts {
		if d.Acts[i].At >= from {
			d.Acts[i].At += by
		}
	}
	d.Length += by
}
