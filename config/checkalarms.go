package config

import (
	"fmt"
	"slices"

	"tickover/model"
)

func (r *reading) checkAlarms() {
	seen := names{}
	var devices []string
	for _, d := range r.devices {
		devices = append(devices, d.Name)
	}
	for i := range r.alarms {
		a := &r.alarms[i]
		seen.again(a.source, a.at("name"), "alarms", a.ID)
		if a.Kind == model.DeviceLost && a.Device != "" && !contains(devices, a.Device) {
			a.wrong(a.at("device lost"), didYouMean(a.Device, devices), "there is no device %q", a.Device)
		}
		r.checkDeadband(a)
		for j := range r.alarms {
			r.checkOrder(a, &r.alarms[j])
		}
	}
}

// checkDeadband notes a deadband so wide that the alarm could never return to
// normal.
func (r *reading) checkDeadband(a *alarmRead) {
	if a.Deadband == 0 || a.quantity == model.NoQuantity {
		return
	}
	low, high := 0.0, 0.0
	if p := r.find(a.Point); p != nil {
		low, high = p.Low, p.High
	}
	bounded := (low != 0 || high != 0) && !a.PerSpeed
	var stuck bool
	switch a.Kind {
	case model.OutsideBand:
		stuck = 2*a.Deadband >= a.Limit-a.Low
	case model.BelowLimit:
		stuck = bounded && a.Limit+a.Deadband > high
	case model.AboveLimit:
		stuck = bounded && a.Limit-a.Deadband < low
	case model.RisingFaster, model.FallingFaster, model.SwingsMore, model.JumpsFaster:
		stuck = a.Deadband >= a.Limit
	}
	if stuck {
		a.wrong(a.at("deadband"), "make it a small part of the span", "with this deadband %s could never return to normal", a.ID)
	}
}

// checkOrder notes a rule whose limit lies beyond that of a graver rule for the
// same point and states: it would warn after the fact.
func (r *reading) checkOrder(mild, grave *alarmRead) {
	same := mild.Point == grave.Point && mild.Kind == grave.Kind && mild.PerSpeed == grave.PerSpeed &&
		mild.While == grave.While && mild.Steady == grave.Steady
	if !same || mild.Point == "" || mild.Priority >= grave.Priority || !mild.meets(grave) {
		return
	}
	key := alarmKinds[mild.Kind]
	if mild.values[key] == nil || grave.values[key] == nil || mild.quantity == model.NoQuantity {
		return
	}
	var beyond bool
	switch mild.Kind {
	case model.BelowLimit:
		beyond = mild.Limit < grave.Limit
	case model.AboveLimit, model.RisingFaster, model.FallingFaster, model.SwingsMore, model.JumpsFaster, model.NeverMoves:
		beyond = mild.Limit > grave.Limit
	case model.StuckFor:
		beyond = mild.Window > grave.Window
	case model.OutsideBand:
		beyond = mild.Limit > grave.Limit || mild.Low < grave.Low
	}
	if beyond {
		mild.wrong(mild.at(key), fmt.Sprintf("let the %s alarm come first, or exchange the two", mild.Priority),
			"this %s alarm at %s comes after the %s one at %s (line %d)", mild.Priority, mild.values[key].Value,
			grave.Priority, grave.values[key].Value, grave.at(key).Line)
	}
}

// meets reports whether there is an engine state in which both rules watch.
func (a *alarmRead) meets(b *alarmRead) bool {
	if len(a.ArmedIn) == 0 || len(b.ArmedIn) == 0 {
		return true
	}
	return slices.ContainsFunc(a.ArmedIn, func(s model.EngineState) bool { return slices.Contains(b.ArmedIn, s) })
}
