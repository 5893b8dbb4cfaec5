// Package plant simulates a small standby generating set for demonstrations
// and tests: engine, governor, alternator with its regulator, starter battery,
// and the meter and sensors that look at them. It is invented; it describes no
// real machine.
//
// A Plant owns no clock and does no input or output. The same number given to
// New and the same calls give the same values. A Plant is not safe for use by
// several goroutines at once.
package plant

import (
	"math/rand/v2"
	"time"

	"tickover/model"
)

// maxStep is the longest integration step. The quickest lag in the machine is
// 30 ms; explicit steps must stay well below it.
const maxStep = 5 * time.Millisecond

// Plant is one simulated set.
type Plant struct {
	rating model.Rating
	base   uint64 // of the noise
	random *rand.Rand
	now    time.Duration

	key, crank, fuel bool

	engine     engine
	heat       heat
	alternator alternator
	battery    battery
	meter      meter
	dead       map[model.PointID]bool
}

// HatcheryRating is the nameplate of the demonstration set: 50 kVA, 40 kW,
// 230/400 V, 50 Hz, four poles, 12 V starter battery.
func HatcheryRating() model.Rating {
	return model.Rating{
		Name: "Standby set", Site: "Alder Beck fish hatchery (fictional)",
		ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50,
		Poles: 4, Battery: 12, Class: "G1",
	}
}

// New makes a cold set at standstill with its key off, its fuel on and its
// regulator ready to excite. Fields of r that are zero are taken from
// HatcheryRating.
func New(seed uint64, r model.Rating) *Plant {
	r = complete(r)
	p := &Plant{
		rating: r, base: seed,
		random: rand.New(rand.NewPCG(seed, 0x7f4a7c15)),
		fuel:   true,
		dead:   map[model.PointID]bool{},
	}
	p.engine = newEngine(p.random)
	p.heat = newHeat(p.random)
	p.alternator = newAlternator(r)
	p.battery = newBattery(r)
	p.meter = newMeter()
	return p
}

func complete(r model.Rating) model.Rating {
	d := HatcheryRating()
	for _, f := range []struct{ got, want *float64 }{
		{&r.ApparentPower, &d.ApparentPower}, {&r.PowerFactor, &d.PowerFactor},
		{&r.Voltage, &d.Voltage}, {&r.Frequency, &d.Frequency}, {&r.Battery, &d.Battery},
	} {
		if *f.got == 0 {
			*f.got = *f.want
		}
	}
	if r.Poles == 0 {
		r.Poles = d.Poles
	}
	return r
}

// Step lets dt pass. It divides dt into steps of at most 5 ms.
func (p *Plant) Step(dt time.Duration) {
	for dt > 0 {
		d := min(dt, maxStep)
		p.advance(d)
		dt -= d
	}
}

// Now returns the time that has passed since New.
func (p *Plant) Now() time.Duration { return p.now }

func (p *Plant) advance(d time.Duration) {
	p.now += d
	dt := d.Seconds()
	torque := 0.0
	if p.engine.speed > 0 {
		p.alternator.advance(dt, p.engine.speed)
		torque = p.alternator.shaftPower() / p.rating.ActivePower() / p.engine.speed
	}
	p.engine.advance(dt, controls{crank: p.crank && p.key, fuel: p.fuel && p.key}, torque,
		p.heat.oil, p.heat.block)
	p.heat.advance(dt, p.engine.speed, p.engine.burned())
	p.battery.advance(dt, p.key, p.crank && p.key, p.engine.speed)
	p.meter.advance(dt, p)
}
