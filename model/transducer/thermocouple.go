package transducer

import (
	"math"

	"tickover/model"
)

// piece is one range of a thermocouple's polynomial: mV from °C, reference
// junction at 0 °C.
type piece struct {
	low, high float64
	c         []float64
}

// kGaussian is the extra term a0·exp(a1·(t-a2)²) of type K above 0 °C.
var kGaussian = [3]float64{0.1185976, -0.0001183432, 126.9686}

// couples holds the coefficients of ITS-90 as NIST published them (Monograph
// 175), checked against table points because printed copies carry slips.
var couples = map[string][]piece{
	"K": {
		{
			-270,
			0,
			[]float64{0.0, 0.039450128025, 2.3622373598e-05, -3.2858906784e-07, -4.9904828777e-09,
				-6.7509059173e-11, -5.7410327428e-13, -3.1088872894e-15, -1.0451609365e-17,
				-1.9889266878e-20, -1.6322697486e-23},
		},
		{
			0,
			1372,
			[]float64{-0.017600413686, 0.038921204975, 1.8558770032e-05, -9.9457592874e-08,
				3.1840945719e-10, -5.6072844889e-13, 5.6075059059e-16, -3.2020720003e-19,
				9.7151147152e-23, -1.2104721275e-26},
		},
	},
	"J": {
		{
			-210,
			760,
			[]float64{0.0, 0.050381187815, 3.047583693e-05, -8.568106572e-08, 1.3228195295e-10,
				-1.7052958337e-13, 2.0948090697e-16, -1.2538395336e-19, 1.5631725697e-23},
		},
		{
			760,
			1200,
			[]float64{296.45625681, -1.4976127786, 0.0031787103924, -3.1847686701e-06,
				1.5720819004e-09, -3.0691369056e-13},
		},
	},
	"T": {
		{
			-270,
			0,
			[]float64{0.0, 0.038748106364, 4.4194434347e-05, 1.1844323105e-07, 2.0032973554e-08,
				9.0138019559e-10, 2.2651156593e-11, 3.6071154205e-13, 3.8493939883e-15,
				2.8213521925e-17, 1.4251594779e-19, 4.8768662286e-22, 1.079553927e-24,
				1.3945027062e-27, 7.9795153927e-31},
		},
		{
			0,
			400,
			[]float64{0.0, 0.038748106364, 3.329222788e-05, 2.0618243404e-07, -2.1882256846e-09,
				1.0996880928e-11, -3.0815758772e-14, 4.547913529e-17, -2.7512901673e-20},
		},
	},
}

// emf returns the voltage of a thermocouple of type K, J or T at t °C in mV with
// its reference junction at 0 °C (ITS-90). Beyond the type's range, and for
// another type, it is NaN.
func emf(couple string, t float64) float64 {
	for _, p := range couples[couple] {
		if t < p.low || t > p.high {
			continue
		}
		e := 0.0
		for i := len(p.c) - 1; i >= 0; i-- {
			e = e*t + p.c[i]
		}
		if couple == "K" && p.low == 0 {
			e += kGaussian[0] * math.Exp(kGaussian[1]*(t-kGaussian[2])*(t-kGaussian[2]))
		}
		return e
	}
	return math.NaN()
}

// coupleRange returns the lowest and highest temperature of a type in °C.
func coupleRange(couple string) (low, high float64) {
	p := couples[couple]
	if len(p) == 0 {
		return math.NaN(), math.NaN()
	}
	return p[0].low, p[len(p)-1].high
}

// coupleTemperature returns the temperature in °C at which a thermocouple has
// so many mV against a reference junction at 0 °C, by halving the range of the
// forward polynomial: it is as good as that one, which the published inverse
// polynomials (up to 0.06 K off) are not. NaN beyond the range.
func coupleTemperature(couple string, mv float64) float64 {
	low, high := coupleRange(couple)
	if !(mv >= emf(couple, low) && mv <= emf(couple, high)) {
		return math.NaN()
	}
	for range 60 {
		middle := (low + high) / 2
		if emf(couple, middle) < mv {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

// couple adds the cold junction as a voltage, never as degrees: the curve is
// not straight.
func couple(kind string, mv, cold float64) (float64, model.Cause) {
	low, high := coupleRange(kind)
	if !(cold >= max(low, -60) && cold <= min(high, 150)) {
		return 0, model.InputBad // no place for terminals
	}
	t := coupleTemperature(kind, mv+emf(kind, cold))
	if math.IsNaN(t) {
		return 0, model.SensorFailed // open inputs drift off the scale
	}
	return t, model.NoCause
}
