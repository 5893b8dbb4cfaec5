package model

import "time"

// EngineState is what the set is doing, by vote of several signals. The zero
// value is EngineUnknown.
type EngineState uint8

// The engine states.
const (
	EngineUnknown EngineState = iota // the signals cannot say
	Standstill
	Cranking    // the starter turns it
	RunningUp   // it fires and gains speed
	Idling      // self-sustained, below rated speed
	Unloaded    // rated speed, load below 2 % of rating
	Loaded      // rated speed, carrying load
	RunningDown // fuel is off, still turning
)

var engineStates = []string{"unknown", "standstill", "cranking", "running up", "idling", "unloaded", "loaded", "running down"}

// String names the state in words.
func (s EngineState) String() string { return word(engineStates, int(s)) }

// engineLabels are what people call the states on a page and in a report.
var engineLabels = []string{"unknown", "standstill", "cranking", "coming up to speed", "idling", "no load", "on load", "running down"}

// Label names the state as the trade does; String is its name in configuration
// and API.
func (s EngineState) Label() string { return word(engineLabels, int(s)) }

// EngineStates lists all states in order.
func EngineStates() []EngineState {
	return []EngineState{EngineUnknown, Standstill, Cranking, RunningUp, Idling, Unloaded, Loaded, RunningDown}
}

// EngineStateNamed finds a state by its name in words; false when there is none.
func EngineStateNamed(name string) (EngineState, bool) {
	for i, n := range engineStates {
		if n == name {
			return EngineState(i), true
		}
	}
	return EngineUnknown, false
}

// Running reports whether the engine turns by its own fuel.
func (s EngineState) Running() bool { return s >= RunningUp && s <= Loaded }

// Turning reports whether anything turns.
func (s EngineState) Turning() bool { return s >= Cranking }

// AtRatedSpeed reports whether the set holds rated speed, with load or without.
func (s EngineState) AtRatedSpeed() bool { return s == Unloaded || s == Loaded }

// StateChange is one transition of the engine state with its evidence.
type StateChange struct {
	From, To EngineState
	Evidence string // the signals that decided, in words, such as "battery 9.8 V, oil 0.2 bar"
	// Lag is how long before the event the evidence began: one scan alone may
	// be garbled, so a second one is waited for. 0 means it decided at once.
	Lag time.Duration `json:",omitempty"`
	// Abrupt marks a stop within AbruptStop of carrying load.
	Abrupt bool `json:",omitempty"`
}
