package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// limits reads the limit in the way the kind of rule has it.
func (a *configAlarm) limits(key string) {
	t, ok := a.text(key)
	if !ok || !a.plainNumber(a.at(key), t) {
		return
	}
	switch a.Kind {
	case model.OutsideBand:
		a.Low, a.Limit, _ = a.span(key, t, a.quantity)
	case model.RisingFaster, model.FallingFaster, model.JumpsFaster:
		a.Limit = a.rate(key, t)
	case model.SwingsMore:
		a.Limit = a.difference(key, a.quantity)
		if v, err := model.ParseDifference(t, a.quantity); err == nil && v == 0 {
			a.wrong(a.at(key), "write the permitted swing", "a swing must be above 0")
		}
	case model.StuckFor:
		a.Window = a.duration(key, 10*time.Second, 24*time.Hour)
	case model.UsedUpWithin:
		a.Limit = a.duration(key, time.Minute, 240*time.Hour).Seconds()
		if a.quantity != model.Ratio {
			a.wrong(a.at("point"), "name a level as a share of the whole, such as fuel.level",
				"%s is not a level as a share of the whole", a.Point)
		}
	case model.NeverMoves:
		starts, _ := a.whole(key, 1, 1000)
		a.Limit = float64(starts)
	default:
		q := a.quantity
		if q == model.Pressure && (strings.Contains(t, " per ") || strings.HasSuffix(t, "Pa·s")) {
			q, a.PerSpeed = model.PressurePerSpeed, true
		}
		a.Limit, _ = a.value(key, q)
	}
}

// window reads the time over which a rate, a swing or steadiness is taken.
func (a *configAlarm) window() {
	switch {
	case a.Kind == model.UsedUpWithin:
		a.Window = a.duration("over", 10*time.Minute, 24*time.Hour)
	case a.Kind == model.RisingFaster, a.Kind == model.FallingFaster, a.Kind == model.SwingsMore,
		a.values["steady"] != nil:
		a.Window = a.duration("over", time.Second, time.Hour)
	default:
		a.unused("over")
	}
}

// margin reads the deadband, in the unit of what is held against the limit.
func (a *configAlarm) margin() {
	switch a.Kind {
	case model.StuckFor, model.NeverMoves:
		a.unused("deadband")
	case model.UsedUpWithin:
		a.Deadband = a.duration("deadband", time.Second, 24*time.Hour).Seconds()
	case model.RisingFaster, model.FallingFaster, model.JumpsFaster:
		if t, ok := a.text("deadband"); ok && a.plainNumber(a.at("deadband"), t) {
			a.Deadband = a.rate("deadband", t)
		}
	default:
		a.Deadband = a.difference("deadband", a.quantity)
	}
}

var perTime = map[string]float64{"s": 1, "min": 60, "h": 3600}

// rate reads a change per time, such as "5 K/min", in canonical units a second.
func (a *configAlarm) rate(key, text string) float64 {
	cut := strings.LastIndexByte(text, '/')
	seconds := 0.0
	if cut >= 0 {
		seconds = perTime[strings.TrimSpace(text[cut+1:])]
	}
	if seconds == 0 {
		a.wrong(a.at(key), "write a change per time, such as 5 K/min", "%q is not a rate", text)
		return 0
	}
	v, err := model.ParseDifference(text[:cut], a.quantity)
	switch {
	case err != nil:
		a.refused(a.at(key), err)
	case v <= 0:
		a.wrong(a.at(key), "write it without a sign: the key gives the direction",
			"a rate must be above 0")
	}
	return v / seconds
}

// while reads the second point that has to speak for an alarm as well, such as
// "oil.pressure above 1 bar".
func (r *parser) while(a *configAlarm) {
	n := a.values["while"]
	if n == nil || a.namesStates(n) {
		return
	}
	point, side, limit, q, ok := r.clause(a, "while", []string{"above", "below"},
		"oil.pressure above 1 bar")
	if !ok {
		return
	}
	v, err := model.ParseValue(limit, q)
	if err != nil {
		a.refused(n, err)
		return
	}
	a.While = model.AlarmCondition{Point: point, Below: side == "below", Limit: v}
}

// namesStates notes engine states where a condition belongs, an easy mistake.
func (a *configAlarm) namesStates(n *yaml.Node) bool {
	first := n
	if n.Kind == yaml.SequenceNode && len(n.Content) > 0 {
		first = n.Content[0]
	}
	if _, ok := model.EngineStateNamed(first.Value); !ok || first.Kind != yaml.ScalarNode {
		return false
	}
	a.wrong(first, "write engine states under \"armed in\"",
		"\"while\" needs a second point, but %q is an engine state", first.Value)
	return true
}

// steady reads the point that must hold still for the rule to judge, such as
// "load.ratio within 5 %".
func (r *parser) steady(a *configAlarm) {
	n := a.values["steady"]
	if n == nil {
		return
	}
	point, _, within, q, ok := r.clause(a, "steady", []string{"within"}, "load.ratio within 5 %")
	if !ok {
		return
	}
	v, err := model.ParseDifference(within, q)
	switch {
	case err != nil:
		a.refused(n, err)
	case v <= 0:
		a.wrong(n, "write the permitted swing", "no measured value is steady within %s", within)
	case point == a.Point && slices.Contains([]model.AlarmKind{model.RisingFaster,
		model.FallingFaster, model.SwingsMore, model.JumpsFaster}, a.Kind):
		a.wrong(n, "name the point that influences this one, such as the load",
			"%s cannot be steady and changing at once", point)
	default:
		a.Steady, a.SteadyWithin = point, v
	}
}

// clause reads "POINT WORD VALUE" and finds the point's quantity.
func (r *parser) clause(a *configAlarm, key string, words []string,
	example string) (point model.PointID, word, value string, q model.Quantity, ok bool) {
	t, ok := a.text(key)
	if !ok {
		return
	}
	n, f := a.at(key), strings.Fields(t)
	if len(f) < 3 {
		a.wrong(n, "write it as "+example, "%q is not valid for %q", t, key)
		return point, word, value, q, false
	}
	if !slices.Contains(words, f[1]) {
		a.wrong(n, didYouMean(f[1], words), "%q has %q instead of %s", key, f[1],
			strings.Join(words, " or "))
		return point, word, value, q, false
	}
	point, word, value = model.PointID(f[0]), f[1], strings.Join(f[2:], " ")
	q, ok = r.quantityOf(&a.section, n, point)
	return point, word, value, q, ok && a.plainNumber(n, value)
}

// longestStay is how long an engine stays in a state at the most, as far as a
// delay may be spent on it. Starters bear half a minute, and a diesel engine
// is up to speed or at rest within a minute or two (common practice). A run may
// last for days, but the long test of a standby set is four hours (NFPA 110,
// every 36 months), and a longer delay makes an alarm useless.
func longestStay(s model.EngineState) time.Duration {
	switch s {
	case model.Cranking:
		return time.Minute
	case model.RunningUp, model.RunningDown:
		return 5 * time.Minute
	case model.Idling, model.Unloaded, model.Loaded:
		return 4 * time.Hour
	}
	return 24 * time.Hour
}

// checkDelays notes a rule that could never warn, since it waits longer than a
// run lasts or for a start that its states end.
func (a *configAlarm) checkDelays() {
	before := func(s model.EngineState) bool { return s == model.Standstill || s == model.Cranking }
	resting := len(a.ArmedIn) > 0 && !slices.ContainsFunc(a.ArmedIn,
		func(s model.EngineState) bool { return !before(s) })
	states := a.ArmedIn
	if len(states) == 0 && a.ArmDelay > 0 {
		states = []model.EngineState{model.Loaded}
	}
	longest := time.Duration(0)
	for _, s := range states {
		longest = max(longest, longestStay(s))
	}
	switch {
	case resting && a.ArmDelay > 0:
		a.wrong(a.at("arm delay"),
			"remove this line, or add a state in which the engine runs to \"armed in\"",
			"%s would never be armed: the arm delay starts when the engine runs by itself", a.ID)
	case resting && a.GoodOnce:
		a.wrong(a.at("good once"),
			"remove this line, or add a state in which the engine runs to \"armed in\"",
			"%s would never be armed: the first normal value counts only while the engine runs "+
				"by itself", a.ID)
	case len(states) > 0 && a.ArmDelay+a.OnDelay > longest:
		key := "on delay"
		if a.ArmDelay > a.OnDelay {
			key = "arm delay"
		}
		a.wrong(a.at(key),
			fmt.Sprintf("keep \"arm delay\" and \"on delay\" together within %s, or arm it in "+
				"more states", durationText(longest)),
			"%s waits for %s, longer than the engine is to be expected in its states", a.ID,
			durationText(a.ArmDelay+a.OnDelay))
	}
}
