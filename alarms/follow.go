package alarms

import (
	"slices"
	"strings"
	"time"

	"tickover/model"
)

// aloneAfter is how long an alarm may outlive the one it is shown under before
// it is announced by itself: their off delays differ by less.
const aloneAfter = 10 * time.Second

// follow says which alarms explain which. What follows from one loss is shown under
// the first alarm of it: the silence of a device or of a whole line, and the loss of
// the voltage.
func follow(rules []model.AlarmRule, setFed bool) {
	var silence []string
	for _, r := range rules {
		if r.Kind == model.DeviceLost ||
			slices.Contains([]string{"engine.blind", "engine.unseen", "alarms.unwatched"}, r.ID) {
			silence = append(silence, r.ID)
		}
	}
	for i := range rules {
		r := &rules[i]
		if slices.Contains(silence, r.ID) {
			r.Follows = slices.DeleteFunc(slices.Clone(silence),
				func(id string) bool { return id == r.ID })
		}
		if fromVoltage(r.ID) || setFed &&
			(r.Kind == model.DeviceLost || r.ID == "alarms.unwatched") {
			r.Follows = append(r.Follows, "voltage.lost", "voltage.absent")
		}
	}
}

// fromVoltage reports whether an alarm follows from a voltage that is gone: what a
// meter then shows of voltages and frequency means nothing.
func fromVoltage(id string) bool {
	return id == "voltage.off" || id == "voltage.absent" || id == "frequency.low" ||
		id == "frequency.off" ||
		id == "neutral.suspect" || strings.HasPrefix(id, "voltage.unbalance") ||
		strings.HasPrefix(id, "frequency.hunting")
}

// explained returns the standing alarm that this one is shown under; nil when
// there is none. One of lower priority explains nothing.
func (w *ruleState) explained() *ruleState {
	for _, h := range w.follows {
		if h.head != nil {
			h = h.head
		}
		if h != w && h.on && h.state.Active() && h.rule.Priority >= w.rule.Priority {
			return h
		}
	}
	return nil
}

// standAlone announces an alarm that has outlived the one it is shown under.
func (w *ruleState) standAlone(m *Machine) {
	switch {
	case w.head == nil:
		return
	case w.head.on && w.head.state.Active():
		w.apart = model.Instant{}
		return
	case w.apart.IsZero():
		w.apart = m.at
	}
	if !w.on || !w.turning.IsZero() || !w.state.Active() || elapsed(w.apart, m.at) < aloneAfter {
		return
	}
	why := w.head.rule.Label + " is over, this alarm is still active"
	w.head, w.apart = nil, model.Instant{}
	e := m.event(w, w.state)
	e.Alone, e.Why = true, why
	if w.rule.Priority > model.Information {
		m.raisings.add(m.at, w.rule.Label)
	}
	m.out = append(m.out, e)
}

// silent returns a device that does not answer though it ought to, nil when all do.
func (m *Machine) silent() *ruleState {
	for _, w := range m.rules {
		if w.missed() {
			return w
		}
	}
	return nil
}

// missed reports whether the rule is of a device that does not answer though it
// ought to: a meter that the set supplies is dead while the set is stopped.
func (w *ruleState) missed() bool { return w.rule.Kind == model.DeviceLost && w.lost && w.armed }

// hushed reports whether a rule is without sight because a device is silent:
// the alarm of the device speaks for it.
func (w *ruleState) hushed(m *Machine) bool {
	if w.in != nil && failed(w.in.sample.Cause) {
		return false
	}
	return m.silent() != nil
}

// silentText names the devices that do not answer, and the line when all of it is
// silent.
func (m *Machine) silentText() string {
	var names []string
	whole, lines := true, map[string]int{}
	for _, w := range m.rules {
		if w.rule.Kind != model.DeviceLost {
			continue
		}
		lines[w.rule.Line]++
		if w.missed() {
			names = append(names, w.rule.Device)
		}
		whole = whole && w.missed()
	}
	if len(names) == 0 {
		return ""
	}
	words := "no answer from " + strings.Join(names, ", ")
	for line, n := range lines {
		if whole && len(lines) == 1 && line != "" && n > 1 {
			words += ": no device on line " + line + " answers"
		}
	}
	return words
}
