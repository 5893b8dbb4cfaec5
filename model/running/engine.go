// Package running finds what the engine does, by vote of all available signals
// there are, and cuts the history of its states into runs.
//
// It owns no clock and does no input or output: time comes with the scans. An
// Engine is not safe for use by several goroutines at once; Runs is a pure
// function.
package running

import (
	"time"

	"tickover/model"
)

// Engine follows one engine through its states.
type Engine struct {
	thresholds thresholds
	inputs     inputs

	state  model.EngineState
	before model.EngineState // last known state, when state is unknown
	since  model.Instant
	first  model.Instant // first scan since New, Resume or a reboot

	battery battery
	pace    pace
	turns   doubt // that it turns, or turns no longer
	fires   doubt // that it runs on its own fuel, or no longer

	// earliest is the newest instant at which a reading still spoke against
	// running by itself; zero means that no such instant was seen.
	earliest model.Instant

	carried model.Instant // last scan under load; zero means none since the last stop
}

// New makes an Engine in the unknown state. What the rating leaves out is
// taken as 50 Hz, four poles, 230/400 V; a battery's nominal voltage is taken
// from what is measured; without a rated power, 500 W count as load.
func New(r model.Rating) *Engine {
	return &Engine{thresholds: newThresholds(r), inputs: newInputs()}
}

// State returns the state and since when.
func (e *Engine) State() (model.EngineState, model.Instant) { return e.state, e.since }

// Resume continues from a state known at an earlier instant, after the daemon
// restarted. When the next scan comes from another boot, or over a minute
// later, the state is unknown until the signals confirm it.
func (e *Engine) Resume(state model.EngineState, at model.Instant) {
	*e = Engine{thresholds: e.thresholds, inputs: newInputs(), state: state, before: state,
		since: at, first: at}
}

// Step takes in one scan of any group and returns the state after it, and the
// change when there was one. The change belongs to the scan's instant.
func (e *Engine) Step(scan *model.Scan) (model.EngineState, *model.StateChange) {
	e.begin(scan.At)
	e.inputs.take(scan)
	e.battery.follow(&e.inputs, &e.thresholds, e.state)
	view := e.look()
	next := e.decide(view, scan.At)
	if e.state == model.Loaded {
		e.carried = scan.At
	}
	if !next.Running() && view.excludes(next, e.battery) {
		e.earliest = scan.At
	}
	if next == e.state {
		return e.state, nil
	}
	return next, e.enter(next, scan.At, view)
}

// Derive appends to a scan the engine state after it and, while it runs, for
// how long it can have run by itself. It returns the change when there was one.
func (e *Engine) Derive(scan *model.Scan) *model.StateChange {
	state, change := e.Step(scan)
	if state == model.EngineUnknown {
		scan.Samples = append(scan.Samples,
			model.BadSample(model.EngineStatePoint, model.Undefined))
		return change
	}
	scan.Samples = append(scan.Samples, model.GoodSample(model.EngineStatePoint, float64(state)))
	if d, same := scan.At.Sub(e.earliest); same && state.Running() && !e.earliest.IsZero() {
		scan.Samples = append(scan.Samples, model.GoodSample(model.RunningTime, d.Seconds()))
	}
	return change
}

// longestUnseen is how long an engine can run by itself and nothing show it:
// longer than a meter takes to wake that lives on the set's own voltage.
const longestUnseen = 6 * time.Second

func (e *Engine) enter(next model.EngineState, at model.Instant, view view) *model.StateChange {
	change := &model.StateChange{From: e.state, To: next, Evidence: view.evidence(next)}
	if e.state != model.EngineUnknown {
		change.Lag = e.lag(at, next)
	}
	if e.state != model.EngineUnknown {
		e.before = e.state
	}
	if next == model.RunningDown || next == model.Standstill {
		d, same := at.Sub(e.carried)
		change.Abrupt = same && d < model.AbruptStop
		e.carried = model.Instant{}
	}
	if before := at.Add(-longestUnseen); !e.state.Running() && e.earliest.Before(before) &&
		!e.earliest.IsZero() {
		e.earliest = before
	}
	e.state, e.since = next, at
	return change
}

// longGap is how long a daemon may have been away and still believe that the
// engine did what it did before.
const longGap = time.Minute

// begin forgets everything at a new boot and after a long absence.
func (e *Engine) begin(at model.Instant) {
	if e.first.IsZero() {
		e.first = at
		return
	}
	last := e.inputs.now
	if last.IsZero() {
		last = e.first
	}
	if gap, same := at.Sub(last); same && gap < longGap {
		return
	}
	before := e.before
	if e.state != model.EngineUnknown {
		before = e.state
	}
	*e = Engine{thresholds: e.thresholds, inputs: newInputs(), before: before, since: at, first: at}
}
