package model

import (
	"fmt"
	"math"
	"time"
)

// Supply says how the logger itself is fed. The zero value says nothing.
type Supply struct {
	Starter  bool    // by the set's starter battery, so that it empties it
	Power    float64 // W drawn, measured at the battery; 0 when Current is given
	Current  float64 // A drawn, measured at the battery; 0 when Power is given
	Capacity float64 // Ah of the battery, of its nameplate; 0 when not given
}

// Amperes is what is drawn at a battery voltage: a converter draws the more
// current the lower the voltage. 0 means not known.
func (s Supply) Amperes(volts float64) float64 {
	if s.Current > 0 || volts <= 0 {
		return s.Current
	}
	return s.Power / volts
}

// Watts is what is drawn at a battery voltage. 0 means not known.
func (s Supply) Watts(volts float64) float64 {
	if s.Power > 0 {
		return s.Power
	}
	return s.Current * volts
}

// UntilHalf is how long the draw takes from a charge (1 is full) to half of
// it, where a lead-acid battery should be charged again; 0 below half. It is
// false when draw or capacity are not known.
func (s Supply) UntilHalf(volts, charge float64) (time.Duration, bool) {
	amperes := s.Amperes(volts)
	if amperes <= 0 || s.Capacity <= 0 {
		return 0, false
	}
	hours := math.Max(charge-0.5, 0) * s.Capacity / amperes
	return time.Duration(hours * float64(time.Hour)), true
}

// Words describes the supply at the battery's nominal voltage for people; ""
// when the logger does not hang on the starter battery.
func (s Supply) Words(nominal float64) string {
	if !s.Starter {
		return ""
	}
	amperes := s.Amperes(nominal)
	if amperes <= 0 {
		return "from the starter battery; what it draws is not given"
	}
	words := fmt.Sprintf("%.2f A from the starter battery, %.1f Ah a day", amperes, 24*amperes)
	if left, ok := s.UntilHalf(nominal, 1); ok {
		words += fmt.Sprintf(", half of %.0f Ah in %.1f days", s.Capacity, left.Hours()/24)
	}
	return words
}

// BlockVoltage is the nominal voltage of one lead-acid block.
const BlockVoltage = 12.0

// chargeAt is the rest voltage of one block by its charge (battery makers'
// tables).
var chargeAt = [][2]float64{{11.7, 0}, {12.0, 0.25}, {12.2, 0.5}, {12.4, 0.75}, {12.6, 1}}

// RestCharge is the charge (1 is full) of a lead-acid battery of so many
// blocks in a row from its voltage after hours of rest.
func RestCharge(volts, blocks float64) float64 {
	v, charge := volts/blocks, 0.0
	for i := 1; i < len(chargeAt); i++ {
		a, b := chargeAt[i-1], chargeAt[i]
		charge = max(charge, min(b[1], a[1]+(v-a[0])/(b[0]-a[0])*(b[1]-a[1])))
	}
	return charge
}

// loadVolts lists what a sound 12 V starter battery holds at least in a load
// test of 15 s, by its temperature, as battery test pages give it.
var loadVolts = []struct{ celsius, volts float64 }{
	{21, 9.6}, {16, 9.5}, {10, 9.4}, {4, 9.3}, {-1, 9.1}, {-7, 8.9}, {-12, 8.7}, {-18, 8.5},
}

// LoadVolts is what a sound 12 V starter battery holds at least in a load test
// of 15 s at a temperature in °C, in V: downwards to the next row.
func LoadVolts(celsius float64) float64 {
	for _, row := range loadVolts {
		if celsius >= row.celsius {
			return row.volts
		}
	}
	return loadVolts[len(loadVolts)-1].volts
}
