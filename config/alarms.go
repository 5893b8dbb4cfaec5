package config

import (
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// configAlarm is a rule with the places of what it said.
type configAlarm struct {
	model.AlarmRule
	section
	quantity model.Quantity
}

// alarmKinds are the keys that say what a rule looks at, in the order of
// model.AlarmKind.
var alarmKinds = []string{"below", "above", "rising faster than", "falling faster than", "outside",
	"device lost", "point failed",
	"swings more than", "jumps faster than", "stuck for", "never moves in starts", "used up within"}

// alarmKeys lists every key of an alarm.
func alarmKeys() []string {
	return slices.Concat([]string{"name", "label", "priority", "point"}, alarmKinds,
		[]string{"over", "deadband", "while", "steady",
			"on delay", "off delay", "latch", "armed in", "arm delay", "good once", "remind",
			"action",
			"basis"})
}

func (r *parser) alarm(s *sourceText, n *yaml.Node) {
	sec, ok := s.section(n, "the alarm", alarmKeys()...)
	if !ok {
		return
	}
	sec.need("name", "priority")
	a := configAlarm{section: sec}
	a.ID, _ = sec.dotted("name")
	a.Label = sec.textOf("label")
	if a.Label == "" {
		a.Label = a.ID
	}
	a.Priority = model.Priority(sec.choice("priority",
		[]string{"information", "warning", "critical"}))
	a.OnDelay = sec.duration("on delay", 0, 24*time.Hour)
	a.OffDelay = sec.duration("off delay", 0, 24*time.Hour)
	a.ArmDelay = sec.duration("arm delay", 0, 24*time.Hour)
	a.Remind = sec.duration("remind", time.Minute, 24*time.Hour)
	a.Latch, a.GoodOnce = sec.yes("latch"), sec.yes("good once")
	a.Action, a.Basis = sec.textOf("action"), sec.textOf("basis")
	a.armed()
	a.checkDelays()
	if a.looksAt() {
		r.subject(&a)
	}
	r.alarms = append(r.alarms, a)
}

// armed reads the engine states in which the rule is armed.
func (a *configAlarm) armed() {
	texts, nodes := a.list("armed in")
	for i, t := range texts {
		state, ok := model.EngineStateNamed(t)
		if !ok {
			a.wrong(nodes[i], didYouMean(t, stateNames()), "there is no engine state %q", t)
			continue
		}
		a.ArmedIn = append(a.ArmedIn, state)
	}
}

func stateNames() []string {
	var names []string
	for _, s := range model.EngineStates() {
		names = append(names, s.String())
	}
	return names
}

// looksAt finds the kind of rule. It reports false when there is none or more
// than one.
func (a *configAlarm) looksAt() bool {
	given := 0
	for kind, key := range alarmKinds {
		if a.values[key] == nil {
			continue
		}
		if given++; given > 1 {
			a.wrong(a.at(key), "make two alarms", "%q and %q are in one alarm", a.Kind, key)
			return false
		}
		a.Kind = model.AlarmKind(kind)
	}
	if given == 0 {
		a.wrong(a.node, "add one of "+strings.Join(alarmKinds, ", "), "the alarm has no condition")
	}
	return given == 1
}

// subject reads what the rule looks at and its limits.
func (r *parser) subject(a *configAlarm) {
	key := alarmKinds[a.Kind]
	switch a.Kind {
	case model.DeviceLost:
		a.Device = a.textOf(key)
		a.unused("point", "deadband", "over", "while", "steady")
		return
	case model.PointFailed:
		a.Point = model.PointID(a.textOf(key))
		r.watched(a, key)
		a.unused("point", "deadband", "over", "while", "steady")
		return
	}
	if !a.need("point") {
		return
	}
	a.Point = model.PointID(a.textOf("point"))
	if !r.watched(a, "point") {
		return
	}
	a.margin()
	a.limits(key)
	r.while(a)
	if a.Kind == model.StuckFor || a.Kind == model.NeverMoves {
		a.unused("steady", "over")
		return
	}
	r.steady(a)
	a.window()
}

// unused notes keys that cannot be used with this kind of rule.
func (a *configAlarm) unused(keys ...string) {
	for _, k := range keys {
		if a.values[k] != nil {
			a.wrong(a.at(k), "remove this line", "%q cannot be used with %q", k, a.Kind)
		}
	}
}

// watched finds the quantity of the rule's point.
func (r *parser) watched(a *configAlarm, key string) (ok bool) {
	a.quantity, ok = r.quantityOf(&a.section, a.at(key), a.Point)
	return ok
}

// quantityOf finds the quantity of a point that an alarm names, which a device
// must provide, the program calculate, or the computer report of itself.
func (r *parser) quantityOf(s *section, n *yaml.Node, point model.PointID) (model.Quantity, bool) {
	if point == "" {
		return model.NoQuantity, false
	}
	var known []string
	for _, d := range r.devices {
		for _, p := range d.points {
			if p.ID == point {
				return p.Quantity, p.Quantity != model.NoQuantity
			}
			known = append(known, string(p.ID))
		}
	}
	inputs, derived := r.derivable(point)
	if derived && inputs == nil || slices.Contains(model.HostPoints(), point) {
		q, _ := model.KnownQuantity(point)
		return q, true
	}
	if derived {
		s.wrong(n, "add them, or remove the alarm",
			"%s is calculated from %s, which no device provides", point, idList(inputs))
		return model.NoQuantity, false
	}
	for _, d := range derivations {
		known = append(known, string(d.point))
	}
	if strings.HasPrefix(string(point), "host.") {
		known = pointNames(model.HostPoints())
	}
	s.wrong(n, didYouMeanOr(string(point), known, "add it to the points of a device"),
		"no device provides the point %q", point)
	return model.NoQuantity, false
}

func didYouMeanOr(word string, known []string, otherwise string) string {
	if near := nearest(word, known); near != "" {
		return didYouMean(word, known)
	}
	return otherwise
}

func pointNames(ids []model.PointID) []string {
	words := make([]string, len(ids))
	for i, id := range ids {
		words[i] = string(id)
	}
	return words
}
