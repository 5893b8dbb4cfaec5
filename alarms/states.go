package alarms

import (
	"fmt"

	"tickover/model"
)

// settle moves the alarm to the state its condition calls for.
func (w *ruleState) settle(m *Machine) {
	switch w.state {
	case model.AlarmOutOfService:
		return
	case model.AlarmShelved:
		if !w.until.IsZero() && !m.at.Before(w.until) {
			w.release(m, "", "shelving time is over")
		}
		return
	case model.AlarmSuppressedByDesign:
		if w.armed {
			w.release(m, "", "")
		}
		return
	}
	if w.on {
		w.rise(m)
	} else {
		w.fall(m)
	}
	if w.state == model.AlarmNormal && !w.armed && m.engine.known {
		m.change(w, model.AlarmSuppressedByDesign, "", w.idle)
	}
}

// rise raises the alarm unless it is raised already.
func (w *ruleState) rise(m *Machine) {
	switch {
	case w.state == model.AlarmUnacknowledged:
	case w.state != model.AlarmAcknowledged:
		m.change(w, model.AlarmUnacknowledged, "", w.text(m))
	case w.rule.Remind > 0 && w.judged && elapsed(w.known, m.at) >= w.rule.Remind:
		m.change(w, model.AlarmUnacknowledged, "", "still active long after it was acknowledged")
	}
}

// fall takes note that the condition is over.
func (w *ruleState) fall(m *Machine) {
	why := ""
	if !w.armed {
		why = w.idle
	}
	switch {
	case w.state == model.AlarmUnacknowledged && w.rule.Latch:
		m.change(w, model.AlarmLatchedUnacknowledged, "", why)
	case w.state == model.AlarmUnacknowledged:
		m.change(w, model.AlarmReturnedUnacknowledged, "", why)
	case w.state == model.AlarmAcknowledged && w.rule.Latch:
		m.change(w, model.AlarmLatchedAcknowledged, "", why)
	case w.state == model.AlarmAcknowledged:
		m.change(w, model.AlarmNormal, "", why)
	}
}

// release lets the alarm out of shelving, suppression or being out of service.
func (w *ruleState) release(m *Machine, who, why string) {
	w.until, w.why = model.Instant{}, ""
	if w.on {
		m.change(w, model.AlarmUnacknowledged, who, why)
		return
	}
	m.change(w, model.AlarmNormal, who, why)
}

// text says what raised the alarm when the value alone does not.
func (w *ruleState) text(m *Machine) string {
	switch w.rule.Kind {
	case model.PointFailed:
		return w.in.sample.Cause.String()
	case model.DeviceLost:
		if all := m.silentText(); all != "" {
			return all
		}
		return "no answer from " + w.rule.Device
	case model.UsedUpWithin:
		return fmt.Sprintf("consumption %.0f %% per hour", 360000*w.trace.(*usage).rate)
	}
	if len(w.ins) > 0 {
		return w.partsText(m)
	}
	return w.computedText(m)
}

// change makes a transition.
func (m *Machine) change(w *ruleState, to model.AlarmState, who, why string) {
	switch to {
	case model.AlarmUnacknowledged:
		w.head = w.explained()
		w.raised, w.first = m.at, w.head == nil && m.firstOut(w)
		w.crossing = model.Crossing{Value: w.value, Limit: w.limit, Quality: w.quality(), Why: why}
	case model.AlarmAcknowledged:
		w.known = m.at
	case model.AlarmNormal, model.AlarmSuppressedByDesign:
		w.first, w.head = false, nil
	}
	e := m.event(w, to)
	e.Who, e.Why = who, why
	if !to.Lasts() {
		e.Action = "" // an alarm that is over needs no action
	}
	switch to {
	case model.AlarmUnacknowledged, model.AlarmReturnedUnacknowledged,
		model.AlarmLatchedUnacknowledged:
		e.Kind, e.Raised, e.Crossing = w.rule.Kind, w.raised, w.crossing
	}
	if to == model.AlarmUnacknowledged && w != m.flood {
		e.Flood = m.flood != nil && m.flood.on && w.rule.Priority < model.Critical
		if e.Announced() {
			m.raisings.add(m.at, w.rule.Label)
		}
	}
	m.out = append(m.out, e)
	w.history.take(e, m.log.until(m.at))
	w.state, w.since = to, m.at
}

// note makes an event that is no transition: the rule lost its input or has
// it back.
func (m *Machine) note(w *ruleState, why string) {
	e := m.event(w, w.state)
	e.Unwatched, e.Why = w.unwatched, why
	if w.unwatched && w.hushed(m) {
		e.Under = m.silent().rule.ID
	}
	m.out = append(m.out, e)
}

func (m *Machine) event(w *ruleState, to model.AlarmState) model.AlarmEvent {
	return model.AlarmEvent{At: m.at, Rule: w.rule.ID, Label: w.rule.Label,
		Priority: w.rule.Priority,
		From:     w.state, To: to, Value: w.value, Quality: w.quality(), Limit: w.limit,
		Point:    w.point(),
		Quantity: w.quantity, Engine: m.engine.now, FirstOut: w.first, Under: w.under(),
		Until: w.until, Action: w.rule.Action}
}

// firstOut reports whether no other alarm of the same priority is active or awaits
// a person: the alarm then opens a new group. When one scan raises several,
// the first in the order of the rules is marked.
func (m *Machine) firstOut(w *ruleState) bool {
	for _, o := range m.rules {
		if o != w && o.rule.Priority == w.rule.Priority &&
			(o.state.Active() || o.state.AwaitsPerson()) {
			return false
		}
	}
	return true
}
