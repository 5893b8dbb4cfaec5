package days

import (
	"math"
	"math/rand/v2"
	"time"
)

// Tick is how finely a day is worked out.
const Tick = 100 * time.Millisecond

// stage is what the engine does.
type stage uint8

const (
	resting stage = iota
	cranking
	runningUp
	idling
	governed
	coasting
)

// Act is what a person or the load does at a time of the day.
type Act struct {
	At   time.Duration
	Name string
	do   func(*Day)
}

// Day is one day of a set. Set and Now are for reading; the truth moves with
// Advance.
type Day struct {
	*Set
	Now    time.Duration
	Acts   []Act // in order; those that are over are gone
	Length time.Duration

	random *rand.Rand
	noise  *rand.Rand
	stage  stage
	since  time.Duration // of the stage
	stands time.Duration // since it stands still
	key    bool
	fires  bool // it fires once the starter turns it
	lamp   bool

	speed  float64 // of rated
	excite float64 // 0 to 1
	load   Load
	swings []swing // of frequency and voltage after steps

	oil, coolant, hot, exhaust, winding, fuel float64       // hot: °C that the metal is above its coolant
	battery                                   float64       // of a 12 V battery
	woken                                     time.Duration // when a meter that the set feeds began to wake; 0 means it is dark
	faults
	most most
}

// Load is what the set carries.
type Load struct {
	Power  float64    // of rated power
	Factor float64    // power factor; negative means leading
	Share  [3]float64 // of each phase, summing to 3
}

// Even is a load on all phases alike.
func Even(power, factor float64) Load { return Load{power, factor, [3]float64{1, 1, 1}} }

// swing is what a step of the load leaves behind.
type swing struct {
	at                 time.Duration
	frequency, voltage float64 // at their peaks
	tau                float64 // s
}

func (w swing) at1(now time.Duration) float64 {
	x := (now - w.at).Seconds() / w.tau
	if x < 0 || x > 12 {
		return 0
	}
	return x * math.Exp(1-x)
}

// NewDay begins a day of a set at rest.
func NewDay(s *Set, seed uint64) *Day {
	d := &Day{Set: s, random: rand.New(rand.NewPCG(seed, 1)), noise: rand.New(rand.NewPCG(seed, 2)), fires: true,
		coolant: s.warmth, exhaust: s.warmth, winding: s.ambient + 5, fuel: s.fuel, battery: s.rest}
	return d
}

// Turning reports whether anything turns.
func (d *Day) Turning() bool { return d.stage != resting }

// AtSpeed reports whether the governor holds rated speed, and since when.
func (d *Day) AtSpeed() (bool, time.Duration) { return d.stage == governed, d.since }

// Speed is the truth, of rated speed.
func (d *Day) Speed() float64 { return d.speed }

// Carrying is the load now.
func (d *Day) Carrying() Load { return d.load }

// Advance moves the truth on to a time.
func (d *Day) Advance(to time.Duration) {
	for d.Now+Tick <= to {
		d.Now += Tick
		for len(d.Acts) > 0 && d.Acts[0].At <= d.Now {
			do := d.Acts[0].do
			d.Acts = d.Acts[1:]
			do(d)
		}
		d.move(Tick.Seconds())
	}
}

func (d *Day) enter(s stage) {
	d.stage, d.since = s, d.Now
	if s == resting {
		d.stands = d.Now
	}
}

// Take lets load come or go at once.
func (d *Day) Take(l Load) {
	step := l.Power - d.load.Power
	if l.Factor*d.load.Factor < 0 {
		step = l.Power // from lagging to leading is more than the powers say
	}
	d.load = l
	if d.stage != governed {
		return
	}
	peak := d.Step.Frequency
	if step < 0 {
		peak = max(0.1*peak, peak-d.droop) // the standard counts from before the step on
	}
	d.swings = append(d.swings, swing{d.Now, -step * peak, -step * d.Step.Voltage, d.Step.Tau})
	if len(d.swings) > 8 {
		d.swings = d.swings[1:]
	}
}

// approach moves a value towards another with a time constant.
func approach(v, to, dt, tau float64) float64 { return to + (v-to)*math.Exp(-dt/tau) }

func (d *Day) move(dt float64) {
	d.turn(dt)
	d.magnetise(dt)
	d.heat(dt)
	d.lubricate(dt)
	d.electric(dt)
	d.remember()
}

// turn follows the speed.
func (d *Day) turn(dt float64) {
	held := (d.Now - d.since).Seconds()
	switch d.stage {
	case cranking:
		d.speed = approach(d.speed, 0.13, dt, 0.3)
	case runningUp:
		d.speed += dt * 0.45
		switch {
		case d.idleSpeed > 0 && d.speed >= d.idleSpeed:
			d.enter(idling)
		case d.speed >= d.settled():
			d.enter(governed)
		}
	case idling:
		d.speed = approach(d.speed, d.idleSpeed+0.004*math.Sin(held), dt, 0.5)
	case governed:
		swung := 0.0
		for _, w := range d.swings {
			swung += w.frequency * w.at1(d.Now)
		}
		if d.runaway > 0 {
			d.speed = min(d.speed+d.runaway*dt, 1.8)
			return
		}
		to := d.settled() + swung + d.swing*math.Sin(2*math.Pi*held/4.3)
		d.speed = approach(d.speed, to, dt, 0.15)
	case coasting:
		if d.speed -= dt / d.runDown; d.speed <= 0 {
			d.speed = 0
			d.enter(resting)
		}
	case resting:
		d.speed = 0
	}
}

// settled is the speed that the governor holds at the load now.
func (d *Day) settled() float64 {
	return d.setting + d.droop*(1-d.load.Power) + d.governor
}

// magnetise follows the excitation.
func (d *Day) magnetise(dt float64) {
	to := 0.0
	if d.exciter && !d.dark && d.speed > 0.4 {
		to = 1
	}
	d.excite = approach(d.excite, to, dt, 0.6)
}

// voltage is the mean of the phases, of rated.
func (d *Day) voltage() float64 {
	swung := 0.0
	if d.stage == governed {
		for _, w := range d.swings {
			swung += w.voltage * w.at1(d.Now)
		}
	}
	held := d.volts * (1 + swung) * (1 + d.overvolts)
	held = min(held, d.speed*1.04+d.overvolts) // a regulator follows the speed below rated
	return d.excite*held + 0.012*d.speed*(1-d.excite)
}

// heat follows coolant, exhaust and winding.
func (d *Day) heat(dt float64) {
	turning := d.stage == idling || d.stage == governed
	switch {
	case turning && d.coolant < d.opens() && d.overheat == 0:
		d.coolant += dt * (0.04 + 0.06*max(d.load.Power, 0))
	case turning:
		d.coolant = approach(d.coolant, d.Set.coolant-4*(1-min(max(d.load.Power, 0), 1)), dt, 120) + d.overheat*dt
	case d.hot > 0:
		d.coolant += dt * d.hot / 120 // the block's heat soaks through
	default:
		d.coolant = approach(d.coolant, d.ambient, dt, 6000)
	}
	switch {
	case turning:
		d.hot = approach(d.hot, 9+12*max(d.load.Power, 0), dt, 60)
	default:
		d.hot -= dt * (d.hot + 2) / 120
	}
	to := d.ambient
	if turning {
		to = 130 + 330*max(d.load.Power, 0) + d.overexhaust
	}
	d.exhaust = approach(d.exhaust, to, dt, 40)
	if turning {
		d.winding = approach(d.winding, d.ambient+15+50*max(d.load.Power, 0)*max(d.load.Power, 0)+d.overwind, dt, 120)
		d.fuel -= dt * (0.02 + 0.08*max(d.load.Power, 0)) / 3600
	} else {
		d.winding = approach(d.winding, d.ambient, dt, 1800)
	}
}

// opens is where the thermostat begins to open.
func (d *Day) opens() float64 {
	opens, _ := d.Rating.Thermostat()
	return opens
}

// lubricate follows the oil.
func (d *Day) lubricate(dt float64) {
	cold := 1 + 0.35*max(0, 80-d.coolant)/80
	to := d.Set.oil * math.Pow(max(d.speed, 0), 0.75) * min(cold, 1.35)
	if d.oilGone {
		to = 0
	}
	d.oil = approach(d.oil, to, dt, d.oilRise)
}

// electric follows battery, lamp and a meter that the set feeds.
func (d *Day) electric(dt float64) {
	charging := d.speed > 0.35 && !d.uncharged
	switch {
	case d.stage == cranking:
		d.battery = approach(d.battery, 10.3-0.02*max(0, 20-d.ambient), dt, 0.1)
	case charging:
		d.battery = approach(d.battery, d.charge+d.overcharge, dt, 3)
	case d.uncharged && d.speed > 0.35:
		d.battery = approach(d.battery, 11.9, dt, 40)
	case d.key:
		d.battery = approach(d.battery, d.rest-0.2, dt, 4)
	default:
		d.battery = approach(d.battery, d.rest, dt, 6)
	}
	d.lamp = d.key && !charging
	if d.voltage() < 0.6 && d.live == 0 {
		d.woken = 0
	} else if d.woken == 0 {
		d.woken = d.Now
	}
}
