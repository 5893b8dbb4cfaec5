package alarms

import "tickover/model"

// checkSight notes when an armed rule loses its input and when it has it back.
func (w *ruleState) checkSight(m *Machine) {
	reason := w.blindness(m)
	if w.unwatched {
		w.blindTime += elapsed(w.countedTo, m.at)
	}
	w.countedTo = m.at
	if (reason != "") == w.unwatched {
		return
	}
	w.unwatched, w.reason = reason != "", reason
	w.turning = model.Instant{}
	w.forget()
	switch {
	case w.unwatched:
		m.note(w, reason)
	case w.state == model.AlarmShelved || w.state == model.AlarmOutOfService:
		// The person's act has said it already.
	case !w.armed:
		m.note(w, w.idle)
	default:
		m.note(w, "monitored again")
	}
}

// blindness says why an armed rule cannot be judged; "" when it can.
func (w *ruleState) blindness(m *Machine) string {
	switch {
	case w.state == model.AlarmShelved || w.state == model.AlarmOutOfService:
		return ""
	case w.needsEngine() && !m.engine.known:
		if m.inputs[model.EngineStatePoint].blind(m.at) {
			return "engine state unknown"
		}
		return ""
	case !w.due || w.in == nil:
		return ""
	case w.rule.Kind == model.PointFailed && elapsed(w.in.reported, m.at) <= w.in.hold():
		return ""
	case w.rule.DarkMeter && w.lostPart(m.at) != nil && !failed(w.lostPart(m.at).sample.Cause):
		return ""
	case w.rule.Kind == model.PointFailed, w.ins == nil && w.missing(w.in, m.at):
		return w.in.cause()
	case w.lostPart(m.at) != nil:
		return w.lostText(m.at)
	case w.while != nil && w.missing(w.while, m.at):
		return w.while.cause()
	case w.likeIn != nil && w.missing(w.likeIn, m.at):
		return w.likeIn.cause()
	case w.steadyIn != nil && w.missing(w.steadyIn, m.at):
		return w.steadyIn.cause()
	}
	return ""
}

// missing reports whether a point is out of sight. What was only silent before the
// rule had anything to watch for, as a meter that the set feeds is at
// standstill, has time to speak.
func (w *ruleState) missing(in *input, now model.Instant) bool {
	return in.blind(now) && (failed(in.sample.Cause) || elapsed(w.dueAt, now) > in.hold())
}

// cause says in words why a point cannot be judged.
func (in *input) cause() string {
	switch {
	case !in.seen:
		return model.NotPolledYet.String()
	case in.sample.Quality == model.Good:
		return model.Stale.String()
	}
	return in.sample.Cause.String()
}
