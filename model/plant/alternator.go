package plant

import (
	"math"
	"math/cmplx"

	"tickover/model"
)

// Figures of the alternator, per unit of its rating.
const (
	armature    = 0.02  // resistance
	reactance   = 0.15  // transient reactance at rated frequency
	fieldLag    = 0.45  // s
	residual    = 0.03  // flux without excitation
	mostFlux    = 1.5   // the exciter's ceiling
	knee        = 0.94  // speed below which the regulator lets voltage fall with speed
	buildUp     = 0.35  // speed below which it cannot excite
	proportion  = 3.0   // of the regulator
	integration = 6.0   // 1/s
	efficiency  = 0.93  // without the armature's own loss
	neutralOhms = 0.02  // Ω from the star point to the board
	stray       = 1e-6  // S, what hangs on each phase in any case
	magnetising = 0.015 // no-load loss, of rated active power
)

// rotations are the angles of the three phases.
var rotations = [3]complex128{1, cmplx.Rect(1, -2*math.Pi/3), cmplx.Rect(1, 2*math.Pi/3)}

// alternator is three sources behind impedances on one star point, the loads
// on theirs, and the conductor that joins the star points.
type alternator struct {
	rated, phase  float64 // active power W, phase voltage V
	impedance     float64 // Ω that is one per unit
	setting       float64 // of rated voltage
	excited, open bool
	flux          float64 // of rated
	integral      float64
	load          [3]complex128 // S at rated voltage

	terminal [3]complex128 // V against the alternator's star point
	current  [3]complex128 // A
	neutral  complex128    // V of the board's neutral against the star point
	speed    float64
}

func newAlternator(r model.Rating) alternator {
	return alternator{
		rated: r.ActivePower(), phase: r.PhaseVoltage(), setting: 1, excited: true, flux: residual,
		impedance: r.Voltage * r.Voltage / r.ApparentPower,
	}
}

// connect hangs a constant impedance on a phase.
func (a *alternator) connect(phase int, watts, pf float64) {
	if pf <= 0 || pf > 1 {
		pf = 1
	}
	conductance := watts / (a.phase * a.phase)
	a.load[phase] = complex(conductance, -conductance*math.Tan(math.Acos(pf)))
}

func (a *alternator) advance(dt, speed float64) {
	a.speed = speed
	a.regulate(dt)
	a.solve()
}

func (a *alternator) regulate(dt float64) {
	wanted := residual
	if a.excited && a.speed > buildUp {
		miss := a.setting*min(1, a.speed/knee) - a.sensed()
		a.integral = min(max(a.integral+integration*miss*dt, 0), mostFlux)
		wanted = min(max(proportion*miss+a.integral, residual), mostFlux)
	} else {
		a.integral = 0
	}
	a.flux += dt / fieldLag * (wanted - a.flux)
}

// sensed is what the regulator looks at: the mean of the three line-to-line
// voltages, of rated.
func (a *alternator) sensed() float64 {
	t := a.terminal
	sum := cmplx.Abs(t[0]-t[1]) + cmplx.Abs(t[1]-t[2]) + cmplx.Abs(t[2]-t[0])
	return sum / (3 * math.Sqrt(3) * a.phase)
}

// solve finds the voltages and currents of this moment by one node equation:
// the currents of the three phases return through the neutral, if it is there.
func (a *alternator) solve() {
	source := complex(a.flux*a.speed*a.phase, 0)
	inner := complex(armature*a.impedance, reactance*a.impedance*a.speed)
	var branch [3]complex128
	var pulled, sum complex128
	for k, y := range a.load {
		y += complex(stray, 0)
		branch[k] = y / (1 + y*inner)
		pulled += branch[k] * source * rotations[k]
		sum += branch[k]
	}
	if !a.open {
		sum += complex(1/neutralOhms, 0)
	}
	a.neutral = pulled / sum
	for k := range 3 {
		e := source * rotations[k]
		a.current[k] = branch[k] * (e - a.neutral)
		a.terminal[k] = e - a.current[k]*inner
	}
}

// shaftPower is what the alternator takes from the engine, W.
func (a *alternator) shaftPower() float64 {
	source := complex(a.flux*a.speed*a.phase, 0)
	var p float64
	for k := range 3 {
		p += real(source * rotations[k] * cmplx.Conj(a.current[k]))
	}
	return p/efficiency + magnetising*a.rated*a.flux*a.flux*a.speed
}
