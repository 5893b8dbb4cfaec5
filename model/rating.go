package model

import "math"

// Rating is the set's nameplate. All figures in percent refer to it. A zero
// field means "not given"; figures that need it are then not determined.
type Rating struct {
	Name          string  // what people call the set
	Site          string  // where it stands; may be empty
	ApparentPower float64 // VA
	PowerFactor   float64 // 1; 0.8 when not given
	Voltage       float64 // V, line to line
	Frequency     float64 // Hz
	Poles         int     // of the alternator, 2, 4, 6 ...
	Battery       float64 // V, nominal: 12 or 24
	Class         string  // performance class to be judged by: "G1", "G2", "G3" or a name of the user's own; "" is G1
	Card
}

// ActivePower returns the rated active power in W, 0 when not given.
func (r Rating) ActivePower() float64 { return r.ApparentPower * r.PowerFactor }

// Current returns the rated phase current S/(√3·U) in A, 0 when not given.
func (r Rating) Current() float64 {
	if r.Voltage <= 0 {
		return 0
	}
	return r.ApparentPower / (math.Sqrt(3) * r.Voltage)
}

// PhaseVoltage returns the rated line-to-neutral voltage U/√3 in V.
func (r Rating) PhaseVoltage() float64 { return r.Voltage / math.Sqrt(3) }

// Speed returns the rated speed in revolutions a second, 0 when frequency or
// poles are not given.
func (r Rating) Speed() float64 {
	if r.Poles <= 0 {
		return 0
	}
	return 2 * r.Frequency / float64(r.Poles)
}
