package transducer

import (
	"math"

	"tickover/model"
)

// The coefficients of IEC 60751 for platinum of 0.003851.
const (
	platinumA = 3.9083e-3
	platinumB = -5.775e-7
	platinumC = -4.183e-12
	// The standard's range, °C.
	platinumLow, platinumHigh = -200.0, 850.0
)

// platinumRatio returns R/R0 of a platinum thermometer at t °C by IEC 60751.
func platinumRatio(t float64) float64 {
	r := 1 + platinumA*t + platinumB*t*t
	if t < 0 {
		r += platinumC * (t - 100) * t * t * t
	}
	return r
}

// platinumTemperature returns the temperature in °C at a ratio R/R0. From 0 °C
// up it solves the standard's quadratic; below, where that would be wrong by
// up to 2.4 K, it goes on by Newton's method.
func platinumTemperature(ratio float64) float64 {
	root := math.Sqrt(max(platinumA*platinumA-4*platinumB*(1-ratio), 0))
	t := (root - platinumA) / (2 * platinumB)
	if ratio >= 1 {
		return t
	}
	for range 20 {
		slope := platinumA + 2*platinumB*t + platinumC*(4*t*t*t-300*t*t)
		step := (platinumRatio(t) - ratio) / slope
		t -= step
		if math.Abs(step) < 1e-9 {
			break
		}
	}
	return t
}

// platinumTolerance returns the tolerance in K of a class of IEC 60751 at t
// °C; false for a class that is none.
func platinumTolerance(class string, t float64) (float64, bool) {
	k, ok := map[string][2]float64{
		"AA": {0.1, 0.0017}, "A": {0.15, 0.002}, "B": {0.3, 0.005}, "C": {0.6, 0.01},
	}[class]
	return k[0] + k[1]*math.Abs(t), ok
}

// leadError returns by how many K a thermometer of r0 Ω at 0 °C reads high for
// every ohm of wire that is not taken off, at t °C.
func leadError(r0, t float64) float64 {
	return 1 / (r0 * (platinumA + 2*platinumB*t))
}

func platinum(s *model.Sensor, ohms float64) (float64, model.Cause) {
	ratio := (ohms - s.Leads) / s.R0
	// A break reads endless ohms, a short none: neither is a temperature.
	if ratio < platinumRatio(platinumLow) || ratio > platinumRatio(platinumHigh) {
		return 0, model.SensorFailed
	}
	return platinumTemperature(ratio), model.NoCause
}
