package days

import (
	"math/rand/v2"
	"time"

	"tickover/model"
)

// faults are what a danger changes of the truth. The zero value is a sound set.
type faults struct {
	oilGone, uncharged, dark, drained, pressed, cut bool

	governor    float64 // moved, of rated speed
	runaway     float64 // of rated speed a second
	overvolts   float64 // of rated voltage
	overheat    float64 // K a second into the coolant
	overexhaust float64 // K
	overwind    float64
	overoil     float64
	overbear    float64
	overcharge  float64 // V of a 12 V battery
	fumes       float64 // carbon monoxide, m³/m³
	earthed     float64 // V between neutral and earth
	leak        float64 // A
	apart       float64 // by how much L1 is low
	floating    float64 // of the star point, of rated phase voltage
	capacitive  float64 // reactive power, of rated apparent power
	live        float64 // V at the terminals of a set at rest
	deaf        string  // a device that does not answer
	broken      model.PointID
}

// Moment says when in a day a danger comes.
type Moment uint8

// The moments.
const (
	AtRest Moment = iota
	BeforeStart
	Unloaded
	UnderLoad
	AtStop
)

// Danger is one thing that goes wrong. Needs are the points without which it
// cannot be seen; the first is the witness.
type Danger struct {
	Name  string
	When  Moment
	Needs []model.PointID
	Fits  func(*Set) bool // nil fits every set
	Adapt func(*Set)      // makes the set one to which it can happen; nil changes nothing
	Load  float64         // of rated power, for UnderLoad; 0 takes what was drawn
	Let   func(*Day)
	// Reached reports that the truth is beyond what a person must be warned of.
	// nil means at once.
	Reached func(*Day) bool
	Rest    time.Duration // how long the day goes on
}

func overLoad(load float64) func(*Day) { return func(d *Day) { d.Take(Even(load, 0.8)) } }

// Dangers lists what is known to go wrong, by what the issue of an alarm is:
// engine, alternator, people.
func Dangers() []Danger {
	return []Danger{
		{Name: "oil lost", When: UnderLoad, Needs: []model.PointID{model.OilPressure}, Rest: time.Minute,
			Let:     func(d *Day) { d.oilGone = true },
			Reached: func(d *Day) bool { return d.oil < 0.69e5*d.speed*d.Rating.Speed()*60/1000 }},
		{Name: "no oil after the start", When: BeforeStart, Needs: []model.PointID{model.OilPressure}, Rest: 2 * time.Minute,
			Let: func(d *Day) { d.oilGone = true }, Reached: (*Day).selfSustained},
		{Name: "oil switch low", When: UnderLoad, Needs: []model.PointID{model.OilSwitch}, Rest: time.Minute,
			Adapt: func(s *Set) { s.Without(model.OilPressure) },
			Let:   func(d *Day) { d.oilGone = true }, Reached: func(d *Day) bool { return d.oil < 0.5e5 }},
		{Name: "runaway", When: Unloaded, Needs: []model.PointID{model.SpeedPoint}, Rest: time.Minute,
			Let: func(d *Day) { d.runaway = 0.1 }, Reached: func(d *Day) bool { return d.speed > 1.10 }},
		{Name: "runaway without excitation", When: Unloaded, Needs: []model.PointID{model.SpeedPoint}, Rest: time.Minute,
			Adapt: func(s *Set) { s.exciter, s.Rating.ExcitationOff = false, true },
			Let:   func(d *Day) { d.runaway = 0.1 }, Reached: func(d *Day) bool { return d.speed > 1.10 }},
		{Name: "runaway seen by the meter", When: Unloaded, Needs: []model.PointID{model.FrequencyPoint}, Rest: time.Minute,
			Adapt: func(s *Set) { s.Without(model.SpeedPoint) },
			Let:   func(d *Day) { d.runaway = 0.1 }, Reached: func(d *Day) bool { return d.speed > 1.10 }},
		{Name: "terminals live", When: AtRest, Needs: []model.PointID{model.VoltageL1N, model.SpeedPoint}, Rest: time.Minute,
			Let: func(d *Day) { d.live = 0.57 * d.Rating.Voltage }},
		{Name: "engine overloaded", When: UnderLoad, Needs: []model.PointID{model.PowerActive}, Rest: 7 * time.Minute,
			Adapt: func(s *Set) { s.Rating.PowerFactor, s.Rating.OverloadHour = 0.8, false }, Let: func(d *Day) { d.Take(Even(1.16, 1)) }},
		{Name: "no voltage", When: BeforeStart, Needs: []model.PointID{model.VoltageL1N, model.SpeedPoint}, Rest: 2 * time.Minute,
			Fits: func(s *Set) bool { return !s.Devices[1].SetFed },
			Let:  func(d *Day) { d.dark = true }, Reached: func(d *Day) bool { return d.speed > 0.95 }},
		{Name: "reverse power", When: Unloaded, Needs: []model.PointID{model.PowerActive}, Rest: time.Minute, Let: overLoad(-0.16)},
		{Name: "leading reactive power", When: Unloaded, Needs: []model.PointID{model.PowerReactive}, Rest: time.Minute,
			Let: func(d *Day) { d.capacitive = -0.3 }},
		{Name: "oil hot", When: UnderLoad, Needs: []model.PointID{model.OilTemperature}, Rest: time.Minute,
			Let: func(d *Day) { d.overoil = 128 - d.coolant - 8 }},
		{Name: "exhaust hot", When: UnderLoad, Needs: []model.PointID{model.ExhaustTemperature}, Rest: 6 * time.Minute,
			Adapt: func(s *Set) { s.Rating.ExhaustLimit = 550 },
			Let:   func(d *Day) { d.overexhaust = 500 }, Reached: func(d *Day) bool { return d.exhaust > 550 }},
		{Name: "winding hot", When: UnderLoad, Needs: []model.PointID{model.WindingL1}, Rest: 8 * time.Minute,
			Let: func(d *Day) { d.overwind = 300 }, Reached: func(d *Day) bool { return d.winding > d.Rating.WindingLimit()-10 }},
		{Name: "bearing hot", When: UnderLoad, Needs: []model.PointID{model.BearingTemperature}, Rest: time.Minute,
			Let: func(d *Day) { d.overbear = 80 }},
		{Name: "coolant gone", When: UnderLoad, Needs: []model.PointID{model.CoolantLevelSwitch}, Rest: time.Minute,
			Let: func(d *Day) { d.drained = true }},
		{Name: "coolant hot", When: UnderLoad, Needs: []model.PointID{model.CoolantTemperature}, Rest: 8 * time.Minute,
			Adapt: func(s *Set) { s.warmth = 75 },
			Let:   func(d *Day) { d.overheat = 0.2 }, Reached: (*Day).warmerThanItShould},
		{Name: "neutral live against earth", When: UnderLoad, Needs: []model.PointID{model.NeutralToEarth}, Rest: time.Minute,
			Let: func(d *Day) { d.earthed = 80 }},
		{Name: "current leaks", When: UnderLoad, Needs: []model.PointID{model.ResidualCurrent}, Rest: time.Minute,
			Let: func(d *Day) { d.leak = 0.05 }},
		{Name: "phases apart", When: Unloaded, Needs: []model.PointID{model.VoltageL12, model.VoltageL23, model.VoltageL31}, Rest: 3 * time.Minute,
			Let: func(d *Day) { d.apart = 0.13 }},
		{Name: "neutral lost", When: UnderLoad, Needs: model.LineVoltages[:], Rest: time.Minute,
			Let: func(d *Day) { d.floating = 0.14 }},
		{Name: "excitation lost", When: UnderLoad, Needs: []model.PointID{model.VoltageL1N}, Rest: time.Minute,
			Fits: func(s *Set) bool { return !s.Devices[1].SetFed },
			Let:  func(d *Day) { d.dark = true }, Reached: func(d *Day) bool { return d.voltage() < 0.84 }},
		{Name: "regulator without sensing", When: Unloaded, Needs: []model.PointID{model.VoltageL1N}, Rest: time.Minute,
			Let: func(d *Day) { d.overvolts = 0.3 }},
		{Name: "governor sinks", When: UnderLoad, Needs: []model.PointID{model.FrequencyPoint}, Rest: 2 * time.Minute,
			Let: func(d *Day) { d.governor = -0.105 - d.settled() + 1 - 0.01 }},
		{Name: "not charged", When: UnderLoad, Needs: []model.PointID{model.BatteryVoltage}, Rest: 6 * time.Minute,
			Let: func(d *Day) { d.uncharged = true }, Reached: func(d *Day) bool { return d.battery < 13 }},
		{Name: "overcharged", When: UnderLoad, Needs: []model.PointID{model.BatteryVoltage}, Rest: 2 * time.Minute,
			Let: func(d *Day) { d.overcharge = 2 }, Reached: func(d *Day) bool { return d.battery > 15.25 }},
		{Name: "carbon monoxide", When: UnderLoad, Needs: []model.PointID{model.MonoxidePoint}, Rest: time.Minute,
			Let: func(d *Day) { d.fumes = 150e-6 }},
		{Name: "stops under load", When: UnderLoad, Needs: []model.PointID{model.PowerActive, model.SpeedPoint, model.OilPressure}, Rest: time.Minute,
			Let: func(d *Day) { d.enter(coasting) }},
		{Name: "runs on with its key off", When: Unloaded, Needs: []model.PointID{model.KeyOn}, Rest: 2 * time.Minute,
			Adapt: func(s *Set) { s.Rating.StoppedBy = model.BySolenoid }, Let: func(d *Day) { d.key = false }},
		{Name: "load on one phase", When: Unloaded, Needs: []model.PointID{model.CurrentL1}, Rest: 10 * time.Minute,
			Adapt: func(s *Set) { s.Rating.Unbalance = 0 },
			Let: func(d *Day) {
				d.Take(Load{Power: 0.9 / 3 / d.Rating.PowerFactor, Factor: 1, Share: [3]float64{3, 0, 0}})
			}},
		{Name: "engine device silent", When: UnderLoad, Needs: []model.PointID{model.OilPressure}, Rest: 2 * time.Minute,
			Let: func(d *Day) { d.deaf = "engine" }},
		{Name: "meter silent", When: UnderLoad, Needs: []model.PointID{model.FrequencyPoint}, Rest: 2 * time.Minute,
			Let: func(d *Day) { d.deaf = "meter" }},
		{Name: "line cut", When: UnderLoad, Needs: []model.PointID{model.OilPressure}, Rest: 2 * time.Minute,
			Let: func(d *Day) { d.cut = true }},
		{Name: "oil sensor broken", When: UnderLoad, Needs: []model.PointID{model.OilPressure}, Rest: 2 * time.Minute,
			Let: func(d *Day) { d.broken = model.OilPressure }},
	}
}

func (d *Day) selfSustained() bool {
	return d.stage == runningUp || d.stage == idling || d.stage == governed
}

// warmerThanItShould is 8 K over a fully open thermostat.
func (d *Day) warmerThanItShould() bool {
	_, full := d.Rating.Thermostat()
	return d.coolant > full+8
}

// Without takes a point away from the set.
func (s *Set) Without(p model.PointID) {
	for i := range s.Devices {
		var left []model.PointID
		for _, q := range s.Devices[i].Points {
			if q != p {
				left = append(left, q)
			}
		}
		s.Devices[i].Points = left
	}
}

// Give makes the first device that could give a point give it.
func (s *Set) Give(points ...model.PointID) {
	for _, p := range points {
		if s.Has(p) {
			continue
		}
		q, _ := model.KnownQuantity(p)
		i := 0
		switch q {
		case model.Voltage, model.Current, model.ActivePower, model.ReactivePower, model.Frequency:
			i = 1
		}
		if p == model.BatteryVoltage {
			i = 0
		}
		s.Devices[i].Points = append(s.Devices[i].Points, p)
	}
}

// WithDanger plans an ordinary day of a set and lets a danger in. It returns the
// day and when the danger was let in.
func WithDanger(s *Set, g Danger, seed uint64) (*Day, time.Duration) {
	s.Give(g.Needs...)
	if g.Adapt != nil {
		g.Adapt(s)
		s.Give(g.Needs...)
	}
	d := Ordinary(s, seed, Even(between(drawn(seed), 0.3, 0.6), 0.9))
	at := map[Moment]func() time.Duration{
		AtRest:      func() time.Duration { return 20 * time.Second },
		BeforeStart: func() time.Duration { return time.Second },
		Unloaded:    func() time.Duration { t, _ := d.When("load"); return t },
		UnderLoad:   func() time.Duration { t, _ := d.When("load off"); return t },
		AtStop:      func() time.Duration { t, _ := d.When("key off"); return t },
	}[g.When]()
	if g.When == BeforeStart {
		d.Acts = append([]Act{{at, "danger", g.Let}}, d.Acts...)
		load, _ := d.When("load")
		for i := range d.Acts {
			if d.Acts[i].At >= load && load > 0 {
				d.Acts = d.Acts[:i]
				break
			}
		}
		fires, _ := d.When("fires")
		d.Length = fires + g.Rest
		return d, at
	}
	d.Let(at, g.Rest, g.Let)
	return d, at
}

// drawn makes the numbers that a seed stands for.
func drawn(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 3)) }
