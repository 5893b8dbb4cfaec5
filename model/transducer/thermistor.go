package transducer

import (
	"math"

	"tickover/model"
)

const (
	kelvin = 273.15
	// No thermistor on an engine is outside this, °C: beyond it the sensor or
	// its wire is open or shorted (common practice).
	thermistorLow, thermistorHigh = -55.0, 300.0
)

func thermistor(s *model.Sensor, ohms float64) (float64, model.Cause) {
	if !(ohms > 0) {
		return 0, model.SensorFailed
	}
	t := thermistorTemperature(s, ohms)
	if !(t >= thermistorLow && t <= thermistorHigh) {
		return 0, model.SensorFailed
	}
	return t, model.NoCause
}

// thermistorTemperature returns the temperature in °C at a resistance in Ω, by
// Steinhart-Hart or by the beta equation, as the sensor is configured.
func thermistorTemperature(s *model.Sensor, ohms float64) float64 {
	if s.Kind == model.ThermistorSteinhart {
		l := math.Log(ohms)
		return 1/(s.Hart[0]+s.Hart[1]*l+s.Hart[2]*l*l*l) - kelvin
	}
	return 1/(1/(s.T0+kelvin)+math.Log(ohms/s.R0)/s.Beta) - kelvin
}

// thermistorOhms is the resistance at t °C.
func thermistorOhms(s *model.Sensor, t float64) float64 {
	if s.Kind == model.ThermistorBeta {
		return s.R0 * math.Exp(s.Beta*(1/(t+kelvin)-1/(s.T0+kelvin)))
	}
	// Steinhart-Hart falls with rising resistance: halve in the logarithm.
	low, high := math.Log(1e-2), math.Log(1e9)
	for range 80 {
		middle := (low + high) / 2
		if thermistorTemperature(s, math.Exp(middle)) > t {
			low = middle
		} else {
			high = middle
		}
	}
	return math.Exp((low + high) / 2)
}
