package config

import (
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// alarmRead is a rule with the places of what it said.
type alarmRead struct {
	model.AlarmRule
	section
	quantity model.Quantity
}

// alarmKinds are the keys that say what a rule looks at, in the order of
// model.AlarmKind.
var alarmKinds = []string{"below", "above", "rising faster than", "falling faster than", "outside", "device lost", "point failed"}

func (r *reading) alarm(s *source, n *yaml.Node) {
	known := slices.Concat([]string{"name", "label", "priority", "point"}, alarmKinds, []string{"over", "deadband",
		"on delay", "off delay", "latch", "armed in", "arm delay", "good once", "action", "basis"})
	sec, ok := s.section(n, "the alarm", known...)
	if !ok {
		return
	}
	sec.need("name", "priority")
	a := alarmRead{section: sec}
	a.ID, _ = sec.dotted("name")
	a.Label = sec.words("label")
	if a.Label == "" {
		a.Label = a.ID
	}
	a.Priority = model.Priority(sec.choice("priority", []string{"information", "warning", "critical"}))
	a.OnDelay = sec.duration("on delay", 0, 24*time.Hour)
	a.OffDelay = sec.duration("off delay", 0, 24*time.Hour)
	a.ArmDelay = sec.duration("arm delay", 0, 24*time.Hour)
	a.Latch, a.GoodOnce = sec.yes("latch"), sec.yes("good once")
	a.Action, a.Basis = sec.words("action"), sec.words("basis")
	a.armed()
	if a.looksAt() {
		r.subject(&a)
	}
	r.alarms = append(r.alarms, a)
}

// armed reads the engine states in which the rule watches.
func (a *alarmRead) armed() {
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
func (a *alarmRead) looksAt() bool {
	given := 0
	for kind, key := range alarmKinds {
		if a.values[key] == nil {
			continue
		}
		if given++; given > 1 {
			a.wrong(a.at(key), "make two alarms of it", "%q and %q are in one alarm", a.Kind, key)
			return false
		}
		a.Kind = model.AlarmKind(kind)
	}
	if given == 0 {
		a.wrong(a.node, "add one of "+strings.Join(alarmKinds, ", "), "the alarm does not say what it warns of")
	}
	return given == 1
}

// subject reads what the rule looks at and its limits.
func (r *reading) subject(a *alarmRead) {
	key := alarmKinds[a.Kind]
	switch a.Kind {
	case model.DeviceLost:
		a.Device = a.words(key)
		a.useless("point", "deadband", "over")
		return
	case model.PointFailed:
		a.Point = model.PointID(a.words(key))
		r.watched(a, key)
		a.useless("point", "deadband", "over")
		return
	}
	if !a.need("point") {
		return
	}
	a.Point = model.PointID(a.words("point"))
	if !r.watched(a, "point") {
		return
	}
	a.Deadband = a.difference("deadband", a.quantity)
	a.limits(key)
}

// useless notes keys that mean nothing for this kind of rule.
func (a *alarmRead) useless(keys ...string) {
	for _, k := range keys {
		if a.values[k] != nil {
			a.wrong(a.at(k), "take the line out", "%q has no meaning beside %q", k, a.Kind)
		}
	}
}

// watched finds the quantity of the rule's point, which a device must give, the
// program work out, or the computer tell of itself.
func (r *reading) watched(a *alarmRead, key string) bool {
	if a.Point == "" {
		return false
	}
	var known []string
	for _, d := range r.devices {
		for _, p := range d.points {
			if p.ID == a.Point {
				a.quantity = p.Quantity
				return p.Quantity != model.NoQuantity
			}
			known = append(known, string(p.ID))
		}
	}
	q, _ := model.KnownQuantity(a.Point)
	inputs, derived := r.derivable(a.Point)
	if derived && inputs == nil || slices.Contains(model.HostPoints(), a.Point) {
		a.quantity = q
		return true
	}
	if derived {
		a.wrong(a.at(key), "add them, or take the alarm out", "%s is worked out from %s, which no device gives", a.Point, idList(inputs))
		return false
	}
	for _, d := range derivations {
		known = append(known, string(d.point))
	}
	if strings.HasPrefix(string(a.Point), "host.") {
		known = pointWords(model.HostPoints())
	}
	a.wrong(a.at(key), didYouMeanOr(string(a.Point), known, "add it to the points of a device"), "no device gives the point %q", a.Point)
	return false
}

func didYouMeanOr(word string, known []string, otherwise string) string {
	if near := nearest(word, known); near != "" {
		return didYouMean(word, known)
	}
	return otherwise
}

// limits reads the limit in the way the kind of rule has it.
func (a *alarmRead) limits(key string) {
	t, ok := a.text(key)
	if !ok || !a.plainNumber(a.at(key), t) {
		return
	}
	switch a.Kind {
	case model.OutsideBand:
		a.Low, a.Limit, _ = a.span(key, t, a.quantity)
	case model.RisingFaster, model.FallingFaster:
		a.Limit = a.rate(key, t)
		a.Window = a.duration("over", time.Second, time.Hour)
		return
	default:
		q := a.quantity
		if q == model.Pressure && (strings.Contains(t, " per ") || strings.HasSuffix(t, "Pa·s")) {
			q, a.PerSpeed = model.PressurePerSpeed, true
		}
		a.Limit, _ = a.value(key, q)
	}
	a.useless("over")
}

var perTime = map[string]float64{"s": 1, "min": 60, "h": 3600}

// rate reads a change per time, such as "5 K/min", in canonical units a second.
func (a *alarmRead) rate(key, text string) float64 {
	cut := strings.LastIndexByte(text, '/')
	seconds := 0.0
	if cut >= 0 {
		seconds = perTime[strings.TrimSpace(text[cut+1:])]
	}
	if seconds == 0 {
		a.wrong(a.at(key), "write a change per time, such as 5 K/min", "%q does not say how fast", text)
		return 0
	}
	v, err := model.ParseDifference(text[:cut], a.quantity)
	switch {
	case err != nil:
		a.refused(a.at(key), err)
	case v <= 0:
		a.wrong(a.at(key), "write it without a sign: the key says which way", "a rate is above 0")
	}
	return v / seconds
}

func pointWords(ids []model.PointID) []string {
	words := make([]string, len(ids))
	for i, id := range ids {
		words[i] = string(id)
	}
	return words
}
