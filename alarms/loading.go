package alarms

import (
	"time"

	"tickover/model"
)

const (
	// loadStep is the share of rated load that must come or go within
	// loadStepSpan to be a step. A smaller one moves a set inside its class by
	// less than a fifth of what full load does (derived).
	loadStep     = 0.20
	loadStepSpan = 2 * time.Second
	// rotorSeconds is what a salient-pole generator bears of (I2/IN)²·t, in
	// seconds (IEC 60034-1, from memory).
	rotorSeconds = 20.0
	// rotorMargin over the permitted current begins to heat the rotor beyond
	// what it gives off: the currents of two meters may differ by as much (derived).
	rotorMargin = 1.1
)

// loading is what the past of the load says.
type loading struct {
	ratio, apparent, negative *input
	permitted                 float64 // of negative-sequence current, of rated current
	off, on                   model.Instant
	begun                     model.Instant // of the newest span
	last, now                 extremes      // of the span before and of the newest
	heat                      float64       // of what the rotor bears
}

// extremes are the highest and lowest values of a span.
type extremes struct{ low, high float64 }

// follow takes the newest load. passed is the time since the step before.
func (l *loading) follow(m *Machine, passed time.Duration) {
	in := l.ratio
	v, ok := in.value(m.at)
	if !ok {
		in = l.apparent
		v, ok = in.value(m.at)
	}
	if ok && in.turn == m.turn {
		l.step(m.at, v)
	}
	l.warm(m, passed)
}

// step looks for a load that came or went at once.
func (l *loading) step(at model.Instant, v float64) {
	switch {
	case l.begun.IsZero() || at.Boot != l.begun.Boot:
		l.begun, l.last, l.now = at, extremes{v, v}, extremes{v, v}
	case elapsed(l.begun, at) >= loadStepSpan:
		l.begun, l.last, l.now = at, l.now, extremes{v, v}
	}
	off := max(l.last.high, l.now.high)-v >= loadStep
	on := v-min(l.last.low, l.now.low) >= loadStep
	if off {
		l.off = at
	}
	if on {
		l.on = at
	}
	if off || on {
		l.last, l.now = extremes{v, v}, extremes{v, v} // the next step begins here
	}
	l.now = extremes{min(l.now.low, v), max(l.now.high, v)}
}

// warm follows the heat that a one-sided load brings into the rotor.
func (l *loading) warm(m *Machine, passed time.Duration) {
	i, ok := l.negative.value(m.at)
	if !ok && m.engine.held != model.Standstill {
		return
	}
	passed = min(passed, longHold) // what was not read for longer is not known
	switch square := i * i; {
	case i > rotorMargin*l.permitted:
		l.heat += square * passed.Seconds() / rotorSeconds
	case i < l.permitted:
		l.heat = max(0, l.heat-(l.permitted*l.permitted-square)*passed.Seconds()/rotorSeconds)
	}
}

// since is the time from a step of the load until now; longCooling without one.
func (l *loading) since(step, now model.Instant) time.Duration {
	if step.IsZero() || step.Boot != now.Boot {
		return longCooling
	}
	return min(elapsed(step, now), longCooling)
}
