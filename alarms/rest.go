package alarms

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"tickover/model"
)

// Limits of the signs of a standstill, those of model/running.
const (
	restSpeed = 0.3  // 1/s, below which a pickup shows a standstill
	restOil   = 30e3 // Pa
	deadVolts = 50.0 // V, below which terminals count as dead
)

// rest follows whether the engine stands still by the instruments of the engine
// alone: voltage at the terminals must not count as a sign that it turns.
//
// A pickup that breaks while the set runs shows a standstill with volts. What
// turned before is therefore at rest only once the volts have gone as well, or
// when the vote of all signals says so.
type rest struct {
	now    bool
	turned bool // turned since the last standstill
}

// see returns whether the engine is at rest; false for known when no instrument
// can tell.
func (r *rest) see(m *Machine) (atRest, known bool) {
	still := m.engine.held != model.Cranking && m.engine.held != model.RunningDown
	if v, ok := m.inputs[model.SpeedPoint].value(m.at); ok {
		known, still = true, still && v < restSpeed
	}
	if v, ok := m.inputs[model.OilPressure].value(m.at); ok {
		known, still = true, still && v < restOil
	}
	if v, ok := m.inputs[model.OilSwitch].value(m.at); ok {
		still = still && v > 0.5
	}
	switch {
	case !known:
	case !still:
		r.now, r.turned = false, true
	case !r.turned || m.engine.held == model.Standstill || m.dead():
		r.now, r.turned = true, false
	}
	return r.now, known
}

// feedAtRest feeds the rules whether the engine is at rest or, when no instrument can
// tell, why the first of them cannot.
func (m *Machine) feedAtRest() {
	in := m.inputs[model.EngineAtRest]
	if in == nil {
		return
	}
	atRest, known := m.engine.rest.see(m)
	sample := model.GoodSample(model.EngineAtRest, map[bool]float64{true: 1}[atRest])
	if !known {
		speed, oil := m.inputs[model.SpeedPoint], m.inputs[model.OilPressure]
		sample = model.BadSample(model.EngineAtRest,
			cmp.Or(speed.sample.Cause, oil.sample.Cause, model.Stale))
	}
	in.take(sample, m.at, m.turn)
}

// dead reports that no voltage is seen at the terminals.
func (m *Machine) dead() bool {
	for i := range 3 {
		for _, p := range [2]model.PointID{model.PhaseVoltages[i], model.LineVoltages[i]} {
			if v, ok := m.inputs[p].value(m.at); ok && v > deadVolts {
				return false
			}
		}
	}
	return true
}

// realCrank is how long a crank lasts that should have started the engine.
const realCrank = 10 * time.Second

// cranks counts those in a row that did not start the engine.
type cranks struct {
	began  model.Instant
	failed int
	volts  float64 // the lowest of the battery while cranking
}

// follow takes the change from the state held to the one that is now.
func (c *cranks) follow(held, now model.EngineState, at model.Instant) {
	switch {
	case now.Running():
		c.failed, c.volts = 0, 0
	case now == model.Cranking && held != model.Cranking:
		c.began = at
	case now != model.Cranking && held == model.Cranking && elapsed(c.began, at) >= realCrank:
		c.failed++
	}
}

// feel keeps the lowest voltage of the battery while the starter turns.
func (c *cranks) feel(battery *input, at model.Instant) {
	if v, ok := battery.value(at); ok && (c.volts == 0 || v < c.volts) {
		c.volts = v
	}
}

// cranksText describes the conditions under which the engine did not start.
func (m *Machine) cranksText() string {
	words := []string{fmt.Sprintf("%d cranks of 10 s or more", m.engine.cranks.failed)}
	if v := m.engine.cranks.volts; v > 0 {
		words = append(words, "lowest battery voltage "+model.Voltage.ShowWithUnit(v))
	}
	for _, p := range []model.PointID{model.CoolantTemperature, model.AmbientTemperature} {
		if v, ok := m.inputs[p].value(m.at); ok {
			words = append(words, fmt.Sprintf("%s %s", strings.ReplaceAll(string(p), ".", " "),
				model.Temperature.ShowWithUnit(v)))
		}
	}
	return strings.Join(words, ", ")
}
