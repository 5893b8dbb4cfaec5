package plant

import "tickover/model"

// battery is the starter battery with its charging alternator. Its figures are
// for 12 V and scaled.
type battery struct {
	scale      float64
	resting    float64 // V at the posts without load, surface charge left aside
	surface    float64 // V of surface charge
	starter    float64 // V lost to the starter
	charge     float64 // V above resting while charging
	charging   bool
	lamp       bool
	beltBroken bool
	keyed      bool
}

func newBattery(r model.Rating) battery {
	return battery{scale: r.Battery / 12, resting: 12.62}
}

func (b *battery) advance(dt float64, key, crank bool, speed float64) {
	b.keyed = key
	b.charging = key && speed > 0.4 && !b.beltBroken
	b.lamp = key && !b.charging
	b.crank(dt, crank, speed)
	aim, lag := 0.0, 0.4
	if b.charging {
		aim, lag = 14.1-b.resting, 3
		b.surface += dt / 300 * (0.55 - b.surface)
		b.resting += dt * 2e-5 * max(0, 12.68-b.resting)
	} else {
		b.surface -= b.surface * dt / 1200
	}
	b.charge += dt / lag * (aim - b.charge)
}

// crank draws the starter's current: most at standstill, less as it turns.
func (b *battery) crank(dt float64, crank bool, speed float64) {
	drop := 0.0
	if crank {
		drop = 2.9 - 1.0*min(speed/crankSpeed, 1)
		b.resting -= dt * 2e-4
	}
	lag := 0.03
	if drop < b.starter {
		lag = 0.15
	}
	b.starter += dt / lag * (drop - b.starter)
}

// volts at the posts.
func (b *battery) volts() float64 {
	v := b.resting + max(b.surface, b.charge) - b.starter
	if b.keyed && !b.charging {
		v -= 0.06
	}
	return v * b.scale
}
