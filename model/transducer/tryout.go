package transducer

import (
	"fmt"
	"time"

	"tickover/model"
)

// Trial is one signal put through a sensor, so that a wrong range shows before
// the engine turns.
type Trial struct {
	Signal, Value float64 // canonical units
	Cause         model.Cause
}

// What a trial assumes about the reference point.
const (
	trialCold   = 25.0 // °C at the terminals
	trialSupply = 12.0 // V
)

// Trials puts five signals over its range through a sensor.
func Trials(s *model.Sensor) []Trial {
	reference := s.Cold
	switch {
	case s.ColdPoint != "":
		reference = trialCold
	case s.Supply != "":
		reference = trialSupply
	}
	var all []Trial
	for _, signal := range trialSignals(s, reference) {
		v, cause := physicalValue(s, signal, reference)
		all = append(all, Trial{signal, v, cause})
	}
	return all
}

func trialSignals(s *model.Sensor, reference float64) []float64 {
	switch s.Kind {
	case model.LinearSensor:
		return quarters(s.In[0], s.In[1], factor(s, reference))
	case model.TableSensor:
		return quarters(s.Table[0][0], s.Table[len(s.Table)-1][0], factor(s, reference))
	case model.DirectSensor:
		return quarters(s.Calibration.Shown[0], s.Calibration.Shown[1], 1)
	case model.PulseSensor:
		return quarters(0, s.PerOne*trialRate(s), 1)
	}
	var signals []float64
	for _, t := range trialTemperatures(s) {
		if x, ok := Signal(s, t, reference); ok {
			signals = append(signals, x)
		}
	}
	return signals
}

func trialTemperatures(s *model.Sensor) []float64 {
	if s.Kind == model.ThermocoupleSensor {
		if s.Couple == "T" {
			return []float64{0, 50, 100, 200, 350}
		}
		return []float64{0, 100, 300, 500, 700}
	}
	return []float64{-20, 0, 25, 80, 110}
}

// trialRate is 2000 r/min, or 40 L/h for a meter of volume. No toothed ring
// gives a thousand pulses a turn, and no flow meter fewer in a cubic metre.
func trialRate(s *model.Sensor) float64 {
	if s.PerOne < 1000 {
		return 2000.0 / 60
	}
	return 0.040 / 3600
}

func factor(s *model.Sensor, reference float64) float64 {
	if s.Supply != "" {
		return reference
	}
	return 1
}

func quarters(from, to, by float64) []float64 {
	var all []float64
	for i := range 5 {
		all = append(all, by*(from+float64(i)/4*(to-from)))
	}
	return all
}

// Remarks lists in text what the user of a sensor should know in addition to its figures:
// wires, terminals, what a break looks like, the tolerance class, the calibration and whether
// it is valid at now (UTC).
func Remarks(s *model.Sensor, now time.Time) []string {
	var all []string
	say := func(format string, args ...any) { all = append(all, fmt.Sprintf(format, args...)) }
	switch {
	case s.Kind == model.ResistanceThermometer && s.Leads == 0:
		say(
			"each ohm of wire in a two-wire connection adds %.1f K; use three or four wires, "+
				"or enter leads",
			leadError(s.R0, 20),
		)
	case s.Kind == model.ResistanceThermometer:
		say("%.2f ohm of wire is subtracted, %.1f K", s.Leads, s.Leads*leadError(s.R0, 20))
	case s.ColdPoint != "":
		say("the terminals are assumed to be as warm as %s; shown here for %.0f °C", s.ColdPoint,
			trialCold)
	case s.Kind == model.ThermocoupleSensor:
		say("the terminals are assumed to be at %.0f °C: each kelvin above reads a kelvin too low",
			s.Cold)
	case s.Supply != "":
		say("the signal is divided by %s; shown here for %.0f V", s.Supply, trialSupply)
	case s.Kind == model.LinearSensor && s.In[0] == 0:
		say("the signal begins at zero: an open wire looks like the low end")
	}
	if tol, ok := platinumTolerance(s.Class, 100); ok {
		say("class %s of IEC 60751: within %.2f K at 100 °C", s.Class, tol)
	}
	if c := s.Calibration; c != nil && !c.On.IsZero() {
		say("calibrated on %s, valid for %d months", c.On.Format("2006-01-02"), c.Lasts())
		if old := c.Overdue(now); old != "" {
			say("%s: calibrate it again, or enter valid .. months", old)
		}
	} else if c != nil {
		say("the calibration date is missing, validity not known: enter for example on 2026-03-01")
	}
	return all
}
