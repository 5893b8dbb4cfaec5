package alarms

import (
	"errors"
	"fmt"
	"time"

	"tickover/model"
)

// maxShelf is the longest an alarm may be shelved at a time: a day, so that no shelving
// lasts longer than the shift that knows of it.
const maxShelf = 24 * time.Hour

// Errors of a person's acts, wrapped with the alarm's name.
var (
	// errNoRule is returned when no rule has the ID.
	errNoRule = errors.New("no such alarm (the list of alarms shows their names)")
	// errNoName is returned when who is empty: the journal needs a name.
	errNoName = errors.New("no name given (enter who does it)")
	// errNoReason is returned when an alarm would be silenced without a reason.
	errNoReason = errors.New("no reason given (enter why, for the next person)")
	// errNotNow is returned when the alarm's state does not allow the act.
	errNotNow = errors.New("not possible in its present state")
	// errTime is returned for a shelving that is over already or longer than maxShelf.
	errTime = errors.New("shelving needs an end time, at most 24 h from now")
)

// Act carries out a person's act and returns what changed. The error says why it is not
// possible: no such alarm, no name, no reason, no valid end of a shelving, or not
// possible in the alarm's present state. Nothing changes then.
func (m *Machine) Act(a model.AlarmAct, at model.Instant) ([]model.AlarmEvent, error) {
	switch a.Verb {
	case model.Shelve:
		return m.shelve(a.Rule, a.Who, a.Why, at.Add(a.For), at)
	case model.Unshelve:
		return m.unshelve(a.Rule, a.Who, a.Why, at)
	case model.OutOfService:
		return m.takeOutOfService(a.Rule, a.Who, a.Why, at)
	case model.ReturnToService:
		return m.returnToService(a.Rule, a.Who, a.Why, at)
	case model.Reset:
		return m.reset(a.Rule, a.Who, a.Why, at)
	}
	return m.acknowledge(a.Rule, a.Who, a.Why, at)
}

// acknowledge records that a person has seen the alarm; for a latched and
// acknowledged alarm it is the reset. It returns errNoRule, errNoName, or
// ErrNotNow when there is nothing to acknowledge.
func (m *Machine) acknowledge(rule, who, why string, at model.Instant) ([]model.AlarmEvent, error) {
	return m.act("acknowledge", rule, who, at, func(w *ruleState) error {
		to := model.AlarmNormal
		switch w.state {
		case model.AlarmUnacknowledged:
			to = model.AlarmAcknowledged
		case model.AlarmLatchedUnacknowledged:
			to = model.AlarmLatchedAcknowledged
		case model.AlarmReturnedUnacknowledged, model.AlarmLatchedAcknowledged:
		default:
			return fmt.Errorf("it is %s: %w", w.state, errNotNow)
		}
		m.change(w, to, who, why)
		for _, o := range m.rules { // what is shown under it was seen with it
			if o.head == w && o.state == model.AlarmUnacknowledged {
				m.change(o, model.AlarmAcknowledged, who, why)
			}
		}
		return nil
	})
}

// reset ends an alarm whose condition is over, whether it was acknowledged or
// not. It returns errNoRule, errNoName, or ErrNotNow while the condition lasts
// and when there is nothing to reset.
func (m *Machine) reset(rule, who, why string, at model.Instant) ([]model.AlarmEvent, error) {
	return m.act("reset", rule, who, at, func(w *ruleState) error {
		switch w.state {
		case model.AlarmReturnedUnacknowledged, model.AlarmLatchedUnacknowledged,
			model.AlarmLatchedAcknowledged:
			m.change(w, model.AlarmNormal, who, why)
			return nil
		}
		return fmt.Errorf("it is %s: %w", w.state, errNotNow)
	})
}

// shelve takes the alarm off the list until an instant of the same boot. It returns
// ErrNoRule, ErrNoName, ErrNoReason, ErrTime, or ErrNotNow when the alarm is out
// of service.
func (m *Machine) shelve(rule, who, why string, until, at model.Instant) ([]model.AlarmEvent,
	error) {
	return m.act("shelve", rule, who, at, func(w *ruleState) error {
		if d, same := until.Sub(at); !same || d <= 0 || d > maxShelf {
			return errTime
		}
		if why == "" {
			return errNoReason
		}
		if w.state == model.AlarmOutOfService {
			return fmt.Errorf("it is %s: %w", w.state, errNotNow)
		}
		w.until, w.why = until, why
		m.change(w, model.AlarmShelved, who, why)
		return nil
	})
}

// unshelve ends a shelving early. It returns errNoRule, errNoName, or
// ErrNotNow when the alarm is not shelved.
func (m *Machine) unshelve(rule, who, why string, at model.Instant) ([]model.AlarmEvent, error) {
	return m.leave("unshelve", model.AlarmShelved, rule, who, why, at)
}

// takeOutOfService takes the alarm out of service until returnToService, for repairs. It
// returns ErrNoRule, ErrNoName, ErrNoReason, or ErrNotNow when it is already.
func (m *Machine) takeOutOfService(rule, who, why string, at model.Instant) ([]model.AlarmEvent,
	error) {
	return m.act("take out of service", rule, who, at, func(w *ruleState) error {
		if why == "" {
			return errNoReason
		}
		if w.state == model.AlarmOutOfService {
			return fmt.Errorf("it is %s: %w", w.state, errNotNow)
		}
		w.until, w.why = model.Instant{}, why
		m.change(w, model.AlarmOutOfService, who, why)
		return nil
	})
}

// returnToService returns the alarm to service. It returns errNoRule, errNoName, or
// ErrNotNow when it is not out of service.
func (m *Machine) returnToService(rule, who, why string, at model.Instant) ([]model.AlarmEvent,
	error) {
	return m.leave("return to service", model.AlarmOutOfService, rule, who, why, at)
}

func (m *Machine) leave(verb string, from model.AlarmState, rule, who, why string,
	at model.Instant) ([]model.AlarmEvent, error) {
	return m.act(verb, rule, who, at, func(w *ruleState) error {
		if w.state != from {
			return fmt.Errorf("it is %s: %w", w.state, errNotNow)
		}
		w.release(m, who, why)
		return nil
	})
}

// act finds the alarm and does something to it in a person's name.
func (m *Machine) act(verb, rule, who string, at model.Instant,
	do func(*ruleState) error) ([]model.AlarmEvent, error) {
	w := m.byID[rule]
	err := errNoRule
	switch {
	case w != nil && who == "":
		err = errNoName
	case w != nil:
		m.advance(at)
		err = do(w)
	}
	if err != nil {
		return nil, fmt.Errorf("%s %q: %w", verb, rule, err)
	}
	return m.emitted(), nil
}

// Replay restores every state from past events, oldest first. It raises nothing; a
// condition that is still active stays as it was. Events of rules that no longer exist
// are skipped. The boots give the logged time; without them the events do.
func (m *Machine) Replay(events []model.AlarmEvent, boots ...model.Boot) {
	m.log = newLoggedTime(boots, model.Instant{})
	for _, e := range events {
		if _, known := m.log.boots[e.At.Boot]; !known {
			m.log.turn(m.at, e.At)
		}
		if w := m.byID[e.Rule]; w != nil {
			w.history.take(e, m.log.until(e.At))
		}
		for _, id := range append([]string{e.Rule}, e.Also...) {
			if w := m.byID[id]; w != nil {
				w.restore(e)
				if e.From != e.To || e.Alone {
					w.head = m.byID[e.Under]
				}
			}
		}
		if m.at.Before(e.At) {
			m.at = e.At
		}
	}
	for _, w := range m.rules {
		w.countedTo = m.at
	}
	for _, in := range m.inputs {
		in.reboot(m.at)
	}
}

func (w *ruleState) restore(e model.AlarmEvent) {
	if w.unwatched {
		w.blindTime += elapsed(w.countedTo, e.At)
	}
	w.countedTo = e.At
	if len(e.Also) == 0 {
		w.value, w.limit = e.Value, e.Limit
	}
	if e.From == e.To && e.Who == "" {
		w.unwatched, w.reason = e.Unwatched, e.Why
		return
	}
	w.state, w.since, w.first = e.To, e.At, e.FirstOut
	w.until, w.why = e.Until, ""
	switch e.To {
	case model.AlarmUnacknowledged:
		w.raised, w.crossing = e.At, model.Crossing{Value: e.Value, Limit: e.Limit,
			Quality: e.Quality, Why: e.Why}
	case model.AlarmAcknowledged:
		w.known = e.At
	case model.AlarmShelved, model.AlarmOutOfService:
		w.why = e.Why
	}
	w.known = w.since
	w.on = e.To == model.AlarmUnacknowledged || e.To == model.AlarmAcknowledged
	w.good = e.To != model.AlarmNormal && e.To != model.AlarmSuppressedByDesign
}
