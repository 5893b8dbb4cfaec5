package alarms

import (
	"fmt"
	"time"

	"tickover/model"
)

// The machine calculates some points from what it has seen. It feeds them to the rules at
// every step, as if they came with the scan.

// restPerCrank is how many seconds of rest pay for one second of cranking: two
// minutes after a crank of 30 s, the usual word of engine handbooks.
const restPerCrank = 4

// belowPerAbove is how many seconds at or below rated power pay for one above it:
// the overload hour of ISO 8528-1 is one in twelve.
const belowPerAbove = 11

// longCooling is used for a cooling time that is long or not known.
const longCooling = time.Hour

// raisings remembers when alarms were last announced.
type raisings struct {
	at    [64]model.Instant
	count int
	first string // label of the one that opened the newest ten minutes
}

func (r *raisings) add(at model.Instant, label string) {
	if r.within(at) == 0 {
		r.first = label
	}
	r.at[r.count%len(r.at)] = at
	r.count++
}

// within counts those of the last ten minutes, at most 64.
func (r *raisings) within(now model.Instant) (n int) {
	for _, at := range r.at {
		if d, same := now.Sub(at); same && !at.IsZero() && d < rateSpan {
			n++
		}
	}
	return n
}

// feedComputed feeds the rules the points that the machine calculates.
func (m *Machine) feedComputed(passed time.Duration) {
	e := &m.engine
	if e.held == model.Cranking {
		e.starter += passed
		e.cranks.feel(m.inputs[model.BatteryVoltage], m.at)
	} else {
		e.starter = max(0, e.starter-passed/restPerCrank)
	}
	e.overload(m, passed)
	m.feedAtRest()
	m.feed(model.OverloadTime, e.above.Seconds())
	m.feed(model.FailedStarts, float64(e.cranks.failed))
	m.feed(model.StarterTime, e.starter.Seconds())
	m.feed(model.CoolingTime, e.cooled.Seconds())
	m.feed(model.RestTime, e.resting(m.at).Seconds())
	m.loading.follow(m, passed)
	m.feed(model.LoadOffTime, m.loading.since(m.loading.off, m.at).Seconds())
	m.feed(model.LoadOnTime, m.loading.since(m.loading.on, m.at).Seconds())
	m.feed(model.RotorHeat, m.loading.heat)
	m.feed(model.EngineSignals, float64(m.engineSignals()))
	m.feed(model.AlarmsRaised, float64(m.raisings.within(m.at)))
	m.feed(model.AlarmsUnwatched, float64(m.unwatched))
}

// overloadAbove counts as overload: rated, and the error of a class 2 meter. A soak
// at rated power, whose readings lie on either side of it, uses no overload hour up.
const overloadAbove = 1.02

// overload follows the overload hour. A load that cannot be seen on a running set
// pays nothing back.
func (e *engine) overload(m *Machine, passed time.Duration) {
	power, ok := m.loading.ratio.value(m.at)
	current, seen := m.loading.apparent.value(m.at)
	switch {
	case ok && power > overloadAbove, seen && current > overloadAbove:
		e.above += passed
	case ok || seen || e.held == model.Standstill:
		e.above = max(0, e.above-passed/belowPerAbove)
	}
}

func (m *Machine) feed(p model.PointID, v float64) {
	if in := m.inputs[p]; in != nil {
		in.take(model.GoodSample(p, v), m.at, m.turn)
	}
}

// engineSignals counts the engine's sensors that can be seen.
func (m *Machine) engineSignals() (n int) {
	for _, p := range engineSensors {
		if in := m.inputs[p]; in != nil && in.seen && !in.blind(m.at) {
			n++
		}
	}
	return n
}

// computedText explains a value that the machine calculated.
func (w *ruleState) computedText(m *Machine) string {
	switch w.rule.Point {
	case model.StarterTime:
		return fmt.Sprintf("%.0f s of cranking without enough rest", w.value)
	case model.CoolingTime:
		return fmt.Sprintf("stopped %.0f s after load", w.value)
	case model.AlarmsRaised:
		return fmt.Sprintf("%.0f alarms in ten minutes; first: %s", w.value, m.raisings.first)
	case model.AlarmsUnwatched:
		return fmt.Sprintf("%.0f alarms not monitored", w.value)
	case model.EngineSignals:
		return m.silentText()
	case model.FailedStarts:
		return m.cranksText()
	}
	return ""
}

// countUnwatched notes how many rules have lost their sight, for the next
// step. What the machine works out for itself does not count.
func (m *Machine) countUnwatched() {
	m.unwatched = 0
	for _, w := range m.rules {
		if w.unwatched && w.rule.Kind != model.PointFailed && !w.hushed(m) {
			m.unwatched++
		}
	}
}
