package plant

import (
	"math"
	"math/rand/v2"
)

// Figures of the engine, per unit of rated speed and of the torque of rated
// active power.
const (
	inertia      = 2.2          // s: twice the stored energy over rated power
	governorLag  = 0.16         // s, rack behind flyweights
	burnLag      = 0.03         // s, torque behind rack
	fullTorque   = 1.09         // rated load with the alternator's losses
	mostTorque   = 1.45         // the rack's stop
	noLoadTorque = 0.20         // what the governor gives unloaded
	crankSpeed   = 180.0 / 1500 // of rated
	idleSpeed    = 800.0 / 1500
	restSpeed    = 0.004
	huntLag      = 0.8    // s
	huntSize     = 0.0006 // standard deviation of the governor's own restlessness
)

// controls is what the operator asks of the engine.
type controls struct{ crank, fuel bool }

// engine is the mechanical part: speed, governor, oil pressure.
type engine struct {
	random *rand.Rand

	lever, noLoad, droop float64
	speed                float64 // of rated
	rack, torque         float64
	hunt                 float64
	firing               bool
	fired                float64 // s since it fires
	turned               float64 // s of cranking with fuel in this attempt
	catch                float64 // s the starter must turn a warm engine with fuel

	galleries float64 // 0 drained .. 1 full of oil
	leak      float64 // 1 sound .. 0 all oil lost
	oilLost   bool
	pressure  float64 // Pa
}

func newEngine(random *rand.Rand) engine {
	return engine{
		random: random, lever: 1, noLoad: 1.04, droop: 0.04, leak: 1,
		catch: 0.7 + 0.4*random.Float64(),
	}
}

// advance moves the engine on by dt s against the load torque.
func (e *engine) advance(dt float64, c controls, load, oilTemperature, blockTemperature float64) {
	if e.speed > 0 || c.crank {
		e.ignite(dt, c, blockTemperature)
		e.govern(dt)
		e.turn(dt, c, load, oilTemperature)
	}
	e.oil(dt, oilTemperature)
}

func (e *engine) ignite(dt float64, c controls, block float64) {
	if !c.fuel || e.speed < 0.04 {
		e.firing, e.fired = false, 0
	}
	if !c.crank || !c.fuel {
		e.turned = 0
	}
	if e.firing {
		e.fired += dt
		return
	}
	if c.crank && c.fuel && e.speed > 0.06 {
		e.turned += dt
	}
	cold := max(0, (40-block)/40)
	e.firing = e.turned > e.catch+cold
}

func (e *engine) govern(dt float64) {
	e.hunt += dt/huntLag*-e.hunt + huntSize*math.Sqrt(2*dt/huntLag)*e.random.NormFloat64()
	wanted := 0.0
	if e.firing {
		set := idleSpeed + e.lever*(e.noLoad-idleSpeed)
		wanted = noLoadTorque + fullTorque*(set+e.hunt-e.speed)/e.droop
		// A cold start gains speed over seconds, not at full torque.
		stop := min(mostTorque, 0.35+1.2*(1-math.Exp(-e.fired/2.5)))
		wanted = min(max(wanted, 0), stop)
	}
	e.rack += dt / governorLag * (wanted - e.rack)
	if !e.firing {
		e.rack = 0
	}
	e.torque += dt / burnLag * (e.rack - e.torque)
}

func (e *engine) turn(dt float64, c controls, load, oilTemperature float64) {
	drag := 0.14 + 0.06*e.speed + 0.05*math.Exp(-max(oilTemperature, 0)/30)
	if e.speed < 0.15 && !e.firing {
		drag += 0.12 // compression stops it soon
	}
	rate := (e.torque - drag - load) / inertia
	if c.crank && e.speed < crankSpeed {
		rate = max(rate, (1.05*crankSpeed-e.speed)/0.35)
	}
	e.speed += dt * rate
	if e.speed < restSpeed && !c.crank {
		e.speed, e.torque, e.rack = 0, 0, 0
	}
	e.speed = max(e.speed, 0)
}

// oil follows the pressure: the pump gives in proportion to speed, thin hot
// oil escapes sooner, a relief valve bends the top.
func (e *engine) oil(dt, temperature float64) {
	e.galleries = min(1, e.galleries+1.8*e.speed*dt)
	if e.speed == 0 {
		e.galleries -= e.galleries * dt / 3600
	}
	aim := 1.0
	if e.oilLost {
		aim = 0
	}
	e.leak += dt / 8 * (aim - e.leak)
	pumped := 13e5 * e.speed * math.Exp(-(temperature-20)/64)
	wanted := 4.8e5 * (1 - math.Exp(-pumped/4.8e5)) * e.leak * math.Pow(e.galleries, 4)
	e.pressure += dt / 0.3 * (wanted - e.pressure)
	if e.pressure < 1 {
		e.pressure = 0
	}
}

// burned is the power turned into motion, of rated.
func (e *engine) burned() float64 { return max(0, e.torque*e.speed) }
