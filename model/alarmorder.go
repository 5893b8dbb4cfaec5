package model

import "slices"

// WarnsAfter reports whether the rule's limit lies beyond that of a graver
// rule on the same point, in states in which both watch: it would warn of what
// was told already.
func (r AlarmRule) WarnsAfter(graver AlarmRule) bool {
	same := r.Point == graver.Point && r.Kind == graver.Kind && r.PerSpeed == graver.PerSpeed && r.AllOf == graver.AllOf &&
		(r.While == graver.While || graver.While.waits()) && r.Steady == graver.Steady
	if !same || r.Point == "" || r.Priority >= graver.Priority || !r.meets(graver) {
		return false
	}
	switch r.Kind {
	case BelowLimit, UsedUpWithin:
		return r.Limit < graver.Limit
	case AboveLimit, RisingFaster, FallingFaster, SwingsMore, JumpsFaster, NeverMoves:
		return r.Limit > graver.Limit
	case StuckFor:
		return r.Window > graver.Window
	case OutsideBand:
		return r.Limit > graver.Limit || r.Low < graver.Low
	}
	return false
}

// waits reports whether a condition only lets a time pass, after which the rule
// watches as without it.
func (c AlarmCondition) waits() bool {
	return !c.Below && slices.Contains([]PointID{RestTime, LoadOffTime, LoadOnTime, OverloadTime}, c.Point)
}

// meets reports whether there is an engine state in which both rules watch.
func (r AlarmRule) meets(other AlarmRule) bool {
	if len(r.ArmedIn) == 0 || len(other.ArmedIn) == 0 {
		return true
	}
	return slices.ContainsFunc(r.ArmedIn, func(s EngineState) bool { return slices.Contains(other.ArmedIn, s) })
}
