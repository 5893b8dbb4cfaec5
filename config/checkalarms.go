package config

import (
	"fmt"
	"slices"

	"tickover/model"
)

func (r *parser) checkAlarms() {
	seen := nameSet{}
	var devices []string
	for _, d := range r.devices {
		devices = append(devices, d.Name)
	}
	for i := range r.alarms {
		a := &r.alarms[i]
		seen.again(a.sourceText, a.at("name"), "alarms", a.ID)
		if a.Kind == model.DeviceLost && a.Device != "" && !slices.Contains(devices, a.Device) {
			a.wrong(a.at("device lost"), didYouMean(a.Device, devices), "there is no device %q",
				a.Device)
		}
		r.checkDeadband(a)
		r.checkReach(a)
		for j := range r.alarms {
			r.checkOrder(a, &r.alarms[j])
		}
	}
}

// checkDeadband notes a deadband so wide that the alarm could never return to
// normal.
func (r *parser) checkDeadband(a *configAlarm) {
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
		a.wrong(a.at("deadband"), "make it a small part of the range",
			"with this deadband, %s can never return to normal", a.ID)
	}
}

// checkReach notes a limit that no value reaches: beyond what is plausible for
// the point, or beyond 0 and 1 of a contact.
func (r *parser) checkReach(a *configAlarm) {
	p := r.find(a.Point)
	if p == nil || a.PerSpeed || a.values[alarmKinds[a.Kind]] == nil ||
		a.quantity == model.NoQuantity {
		return
	}
	low, high, shows := p.Low, p.High, "the plausible range of"
	if p.Register.Type == model.BitValue {
		low, high, shows = 0, 1, "the range of the contact"
	}
	above, below := a.Limit >= high, a.Limit <= low
	if low == 0 && high == 0 || a.Kind == model.AboveLimit && !above ||
		a.Kind == model.BelowLimit && !below ||
		a.Kind == model.OutsideBand && !(above && a.Low <= low) || a.Kind > model.AboveLimit &&
		a.Kind != model.OutsideBand {
		return
	}
	a.wrong(a.at(alarmKinds[a.Kind]), "set the limit within this range",
		"%s would never warn: %s %s is %s to %s",
		a.ID, shows, a.Point, limitText(a.quantity, low), limitText(a.quantity, high))
}

func limitText(q model.Quantity, v float64) string {
	if q == model.State {
		return fmt.Sprint(v)
	}
	return q.ShowWithUnit(v)
}

// checkOrder notes a rule whose limit lies beyond that of a graver rule.
func (r *parser) checkOrder(mild, grave *configAlarm) {
	key := alarmKinds[mild.Kind]
	if mild.values[key] == nil || grave.values[key] == nil || mild.quantity == model.NoQuantity ||
		!mild.WarnsAfter(grave.AlarmRule) {
		return
	}
	mild.wrong(mild.at(key),
		fmt.Sprintf("set the limit of the %s alarm so that it comes first, or exchange the two",
			mild.Priority),
		"this %s alarm at %s comes after the %s one at %s (line %d)", mild.Priority,
		mild.values[key].Value,
		grave.Priority, grave.values[key].Value, grave.at(key).Line)
}
