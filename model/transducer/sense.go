package transducer

import (
	"math"

	"tickover/model"
)

// Sense appends to a scan the value of every sensed point whose raw point the
// scan holds. A raw point that is Bad hands its cause on: a lost device is
// lost for both. A cold junction or supply that is missing or Bad gives
// model.InputBad; an open or shorted sensor model.SensorFailed; a signal
// beyond the table's ends, or a value outside the point's plausible window,
// model.Implausible.
func Sense(sensed []model.Point, scan *model.Scan) {
	for _, referred := range []bool{false, true} { // a cold junction may be sensed itself
		for i := range sensed {
			p := &sensed[i]
			if raw, ok := scan.Find(p.Sensor.Raw); ok &&
				referred == (ReferencePoint(p.Sensor) != "") {
				s := sample(p, raw, scan)
				s.Lag = raw.Lag
				scan.Samples = append(scan.Samples, s)
			}
		}
	}
}

func sample(p *model.Point, raw model.Sample, scan *model.Scan) model.Sample {
	if raw.Quality != model.Good {
		return model.BadSample(p.ID, raw.Cause)
	}
	reference, ok := referenceValue(p.Sensor, scan)
	if !ok {
		return model.BadSample(p.ID, model.InputBad)
	}
	v, cause := physicalValue(p.Sensor, raw.Value, reference)
	switch {
	case cause != model.NoCause:
		return model.BadSample(p.ID, cause)
	case (p.Low != 0 || p.High != 0) && (v < p.Low || v > p.High):
		return model.BadSample(p.ID, model.Implausible)
	}
	return model.GoodSample(p.ID, v)
}

// ReferencePoint names the point that a sensor needs in addition to its own signal: its
// cold junction or its supply. It is empty when the sensor needs none.
func ReferencePoint(s *model.Sensor) model.PointID {
	if s.ColdPoint != "" {
		return s.ColdPoint
	}
	return s.Supply
}

func referenceValue(s *model.Sensor, scan *model.Scan) (float64, bool) {
	id := ReferencePoint(s)
	if id == "" {
		return s.Cold, true
	}
	b, ok := scan.Find(id)
	return b.Value, ok && b.Quality == model.Good
}

// physicalValue turns a signal (canonical unit of the sensor's Signal) into the value
// (canonical unit of the point). reference is the temperature of the cold
// junction in °C or the supply in the unit of the signal; other sensors ignore
// it. The cause is NoCause, SensorFailed or Implausible.
func physicalValue(s *model.Sensor, signal, reference float64) (float64, model.Cause) {
	if math.IsNaN(signal) || math.IsInf(signal, 0) {
		return 0, model.SensorFailed
	}
	v, cause := physical(s, signal, reference)
	if cause != model.NoCause {
		return 0, cause
	}
	return calibrated(s.Calibration, v), model.NoCause
}

func physical(s *model.Sensor, signal, reference float64) (float64, model.Cause) {
	switch s.Kind {
	case model.ResistanceThermometer:
		return platinum(s, signal)
	case model.ThermocoupleSensor:
		return couple(s.Couple, 1000*signal, reference)
	case model.ThermistorBeta, model.ThermistorSteinhart:
		return thermistor(s, signal)
	case model.PulseSensor:
		return signal / s.PerOne, model.NoCause
	case model.DirectSensor:
		return signal, model.NoCause
	}
	if s.Supply != "" {
		if !(reference > 0) {
			return 0, model.InputBad
		}
		signal /= reference
	}
	if s.Kind == model.TableSensor {
		return table(s, signal)
	}
	return linear(s, signal)
}

// Signal is the inverse of physicalValue: what the sensor signals at a value. It
// reports false where the sensor has no signal for it.
func Signal(s *model.Sensor, value, reference float64) (float64, bool) {
	v := uncalibrated(s.Calibration, value)
	signal := v
	switch s.Kind {
	case model.ResistanceThermometer:
		signal = s.R0*platinumRatio(v) + s.Leads
	case model.ThermocoupleSensor:
		signal = (emf(s.Couple, v) - emf(s.Couple, reference)) / 1000
	case model.ThermistorBeta, model.ThermistorSteinhart:
		signal = thermistorOhms(s, v)
	case model.PulseSensor:
		signal = v * s.PerOne
	case model.TableSensor:
		signal = backThroughTable(s.Table, v)
	case model.LinearSensor:
		signal = s.In[0] + (v-s.Out[0])/(s.Out[1]-s.Out[0])*(s.In[1]-s.In[0])
	}
	if s.Supply != "" {
		signal *= reference
	}
	return signal, !math.IsNaN(signal) && !math.IsInf(signal, 0)
}

func calibrated(c *model.Calibration, v float64) float64 {
	if c == nil {
		return v
	}
	return c.True[0] + (v-c.Shown[0])/(c.Shown[1]-c.Shown[0])*(c.True[1]-c.True[0])
}

func uncalibrated(c *model.Calibration, v float64) float64 {
	if c == nil {
		return v
	}
	return c.Shown[0] + (v-c.True[0])/(c.True[1]-c.True[0])*(c.Shown[1]-c.Shown[0])
}
