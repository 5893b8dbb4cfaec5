package alarms

import (
	"slices"
	"time"

	"tickover/model"
)

// ruleState is one rule and its state.
type ruleState struct {
	rule             model.AlarmRule
	quantity         model.Quantity
	in               *input   // nil for DeviceLost; of several, the one that decides
	ins              []*input // of a rule that judges several points as one, else nil
	speed, frequency *input   // for PerSpeed, else nil
	trace            trace    // nil when the value itself is judged
	while, steadyIn  *input   // of the rule's While and Steady, else nil
	unless           *input   // of the rule's Unless, else nil
	coldIn           *input   // of the rule's Cold, else nil
	likeIn           *input   // of the rule's Like, else nil
	like             *learned
	steady           *swing // of steadyIn

	reported, lost bool // for DeviceLost: whether the device was reported, and as lost

	state    model.AlarmState
	since    model.Instant
	raised   model.Instant
	crossing model.Crossing // what raised it
	known    model.Instant  // when it was acknowledged
	until    model.Instant  // end of shelving
	why      string         // of the person who shelved or took it out of service
	first    bool

	on      bool          // the condition, after deadband and delays
	turning model.Instant // since when the samples say otherwise; zero means they agree
	value   float64
	limit   float64
	good    bool // for GoodOnce: was normal in this run
	judged  bool // the newest step had something to judge by

	armed bool
	// the engine's state asks for it: armed, or waiting for a first normal value
	due       bool
	dueAt     model.Instant // since when, or since this boot began
	idle      string        // why it is not armed
	unwatched bool          // armed without an input to judge by
	reason    string        // why it is unwatched
	countedTo model.Instant // how far the unwatched time is summed
	blindTime time.Duration
	history   history

	follows []*ruleState  // that explain this one
	head    *ruleState    // that it is shown under; nil means none
	apart   model.Instant // since when the head is over and this is not
}

// step judges the rule after the inputs were brought up to date.
func (w *ruleState) step(m *Machine) {
	w.choose(m)
	fresh := w.in == nil || w.in.turn == m.turn
	abnormal, seen := false, false
	calm := w.isSteady(m)
	if fresh {
		abnormal, seen = w.look(m)
		seen = seen && calm
	}
	w.judged = seen
	w.seeGood(m, abnormal, seen)
	was := w.armed
	w.armed, w.idle = w.arming(m)
	if w.armed && !was && w.rule.Kind != model.StuckFor {
		w.forget() // a swing or rate from before does not count
		seen = seen && w.trace == nil
	}
	w.checkSight(m)
	switch {
	case w.armed && !calm:
		w.turning = model.Instant{} // what is not judged takes no part in a delay
	case w.armed && seen:
		w.judge(m, abnormal)
	case !w.armed && m.engine.known:
		w.on, w.turning = false, model.Instant{}
	}
	w.settle(m)
	w.standAlone(m)
}

// arming reports whether the rule is armed in the present engine state, and if
// not why.
func (w *ruleState) arming(m *Machine) (armed bool, why string) {
	why = w.notDue(m)
	if why == "" && !w.due {
		w.dueAt = m.at
	}
	w.due = why == ""
	if w.due && w.rule.GoodOnce && !w.good && !w.above(m) {
		return false, "waiting for the first normal value in this run"
	}
	return w.due, why
}

// notDue says why the engine's state does not ask for the rule; "" when it does.
func (w *ruleState) notDue(m *Machine) string {
	e := &m.engine
	switch {
	case !w.needsEngine():
		return ""
	case !e.known:
		return "engine state unknown"
	case len(w.rule.ArmedIn) > 0 && !slices.Contains(w.rule.ArmedIn, e.held):
		return idleText(e.held)
	case w.rule.ArmDelay > 0 && !e.sinceStart(w.rule.ArmDelay, m.at):
		return "waiting for the delay after the start"
	}
	return ""
}

// idleText returns fixed texts, because a step must not build any.
func idleText(s model.EngineState) string {
	words := [...]string{"not armed while the engine state is unknown", "not armed at standstill",
		"not armed while cranking",
		"not armed while coming up to speed", "not armed at idle", "not armed without load",
		"not armed on load", "not armed while running down"}
	if int(s) < len(words) {
		return words[s]
	}
	return words[0]
}

func (w *ruleState) needsEngine() bool {
	return len(w.rule.ArmedIn) > 0 || w.rule.ArmDelay > 0 || w.rule.GoodOnce
}

// seeGood notes the first normal value of a run.
func (w *ruleState) seeGood(m *Machine, abnormal, seen bool) {
	switch m.engine.held {
	case model.Standstill, model.Cranking:
		w.good = false
		return
	}
	if w.good || !seen || abnormal && !w.anyNormal(m) || len(w.rule.ArmedIn) > 0 &&
		!slices.Contains(w.rule.ArmedIn, m.engine.held) {
		return
	}
	w.good = true
}

// above reports whether the value is beyond the upper end of its band: a run up
// passes the lower end only, so that nothing has to be waited for.
func (w *ruleState) above(m *Machine) bool {
	if w.rule.Kind != model.OutsideBand {
		return false
	}
	over := func(v float64) bool { return v > (w.rule.Low+w.rule.Limit)/2 && w.beyond(v) }
	return over(w.value) || slices.ContainsFunc(w.ins, func(in *input) bool {
		v, ok := in.value(m.at)
		return ok && over(v)
	})
}

// look compares the newest input with the limit. seen is false when there is
// nothing to judge by.
func (w *ruleState) look(m *Machine) (abnormal, seen bool) {
	switch w.rule.Kind {
	case model.DeviceLost:
		return w.lost, w.reported
	case model.PointFailed:
		s := w.in.sample
		return s.Quality == model.Bad, s.Quality == model.Good || failed(s.Cause)
	}
	v, ok := w.in.value(m.at)
	if !ok {
		return false, false
	}
	if w.trace != nil {
		if v, ok = w.trace.add(&m.engine, w.in.at, v); !ok {
			return false, false
		}
	}
	w.value, w.limit = v, w.setpoint(m, v)
	if w.likeIn != nil {
		load, ok := w.likeIn.value(m.at)
		if !ok {
			return false, false
		}
		learnt, ok := w.like.see(w.in.at, load, v)
		if !ok {
			return false, false
		}
		w.limit += learnt
	}
	also, ok := w.condition(m)
	if w.regardless(v) {
		return true, true
	}
	return also && !w.excused(m) && w.beyond(v), ok
}

// excused reports whether a second point that can be seen speaks for a normal value.
func (w *ruleState) excused(m *Machine) bool {
	v, ok := w.unless.value(m.at)
	return ok && v < w.rule.Unless.Limit == w.rule.Unless.Below
}

// condition reports whether the second point speaks for an abnormal value as
// well; ok is false when it cannot be judged.
func (w *ruleState) condition(m *Machine) (holds, ok bool) {
	if w.while == nil {
		return true, true
	}
	v, ok := w.while.value(m.at)
	return v < w.rule.While.Limit == w.rule.While.Below, ok
}

// regardless reports whether a value is so far beyond the limit that the second
// point does not matter.
func (w *ruleState) regardless(v float64) bool {
	switch {
	case w.rule.Regardless == 0:
		return false
	case w.rule.Kind == model.BelowLimit:
		return v < w.rule.Regardless
	}
	return v > w.rule.Regardless
}

// isSteady follows the point that has to be steady, and reports whether it is.
func (w *ruleState) isSteady(m *Machine) bool {
	if w.steadyIn == nil {
		return true
	}
	v, ok := w.steadyIn.value(m.at)
	if !ok {
		w.steady.forget()
		return false
	}
	swung, ok := w.steady.add(&m.engine, w.steadyIn.at, v)
	return ok && swung <= w.rule.SteadyWithin
}

// setpoint is the limit in force for a value; of a band, the nearer end.
func (w *ruleState) setpoint(m *Machine, v float64) float64 {
	switch {
	case w.rule.Kind == model.FallingFaster:
		return -w.rule.Limit
	case w.rule.Kind == model.StuckFor:
		return w.rule.Window.Seconds()
	case w.rule.Kind == model.OutsideBand && v < (w.rule.Low+w.rule.Limit)/2:
		return w.rule.Low
	case w.coldIn != nil:
		return w.rule.Limit * w.weakness(m)
	case !w.rule.PerSpeed:
		return w.rule.Limit
	}
	if n, ok := w.speed.value(m.at); ok {
		return max(w.rule.Limit*n, w.rule.Low)
	}
	f, ok := w.frequency.value(m.at)
	if !ok || w.rule.Poles <= 0 {
		return w.rule.Low
	}
	return max(w.rule.Limit*2*f/float64(w.rule.Poles), w.rule.Low)
}

// weakness is what share of its voltage at 21 °C a battery holds at the
// temperature of the air; 1 when that is not known.
func (w *ruleState) weakness(m *Machine) float64 {
	celsius, ok := w.coldIn.value(m.at)
	if !ok {
		return 1
	}
	return model.LoadVolts(celsius) / model.LoadVolts(21)
}

// beyond reports whether a value is abnormal. Once the alarm is on, the value
// has to come back by the deadband to be normal again.
func (w *ruleState) beyond(v float64) bool {
	db := 0.0
	if w.on {
		db = w.rule.Deadband
	}
	switch w.rule.Kind {
	case model.BelowLimit, model.FallingFaster, model.UsedUpWithin:
		return v < w.limit+db
	case model.AboveLimit, model.RisingFaster, model.SwingsMore, model.JumpsFaster:
		return v > w.limit-db
	case model.StuckFor, model.NeverMoves:
		return v >= w.limit
	case model.OutsideBand:
		return v < w.rule.Low+db || v > w.rule.Limit-db
	}
	return false
}

// judge turns the condition on or off once the samples have said so for long
// enough. Short gaps of bad samples do not restart the delay: a flaky line
// must not put off a warning for ever.
func (w *ruleState) judge(m *Machine, abnormal bool) {
	if abnormal == w.on {
		w.turning = model.Instant{}
		return
	}
	if w.turning.IsZero() {
		w.turning = m.at
	}
	delay := w.rule.OffDelay
	if abnormal {
		delay = w.rule.OnDelay
	}
	if elapsed(w.turning, m.at) >= delay {
		w.on, w.turning = abnormal, model.Instant{}
	}
}

// reboot drops every time that the new boot's clock cannot measure. What is
// left of a shelving counts on from the new boot's first instant.
func (w *ruleState) reboot(last, now model.Instant) {
	w.turning, w.countedTo, w.dueAt = model.Instant{}, now, now
	w.known = now
	w.forget()
	if !w.until.IsZero() {
		w.until = now.Add(elapsed(last, w.until))
	}
}

// forget lets go of the values seen before a gap.
func (w *ruleState) forget() {
	if w.trace != nil {
		w.trace.forget()
	}
	if w.steady != nil {
		w.steady.forget()
	}
	if w.like != nil {
		w.like.forget()
	}
}

func (w *ruleState) status() model.AlarmStatus {
	s := model.AlarmStatus{Rule: w.rule, Point: w.point(), State: w.state, Since: w.since,
		Raised: w.raised, Crossing: w.crossing,
		Turning: !w.turning.IsZero(), Value: w.value, Limit: w.limit, FirstOut: w.first,
		Under: w.under(), Until: w.until, Unwatched: w.blindTime}
	s.Quality = w.quality()
	switch {
	case w.state == model.AlarmShelved || w.state == model.AlarmOutOfService:
		s.Why = w.why
	case w.unwatched:
		s.Why = w.reason
	case !w.armed:
		s.Why = w.idle
	case w.in != nil && !w.in.seen || w.in == nil && !w.reported:
		s.Why = model.NotPolledYet.String()
	case w.in != nil && w.in.empty():
		s.Why = noValueHere
	case w.like != nil && !w.judged:
		s.Why = notYetLearned
	case w.rule.Kind == model.UsedUpWithin && !w.judged:
		s.Why = notYetUsed
	default:
		s.Watching = true
	}
	return s
}

// under is the ID of the alarm that this one is shown under, "" when there is none.
func (w *ruleState) under() string {
	if w.head == nil {
		return ""
	}
	return w.head.rule.ID
}

func (w *ruleState) quality() model.Quality {
	if w.in == nil {
		return model.Bad
	}
	return w.in.sample.Quality
}
