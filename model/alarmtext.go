package model

import (
	"strings"
	"time"
)

// Crossing is what raised an alarm: the value and the limit that it was held
// against, in canonical units. Both are meaningless when the quality is Bad.
type Crossing struct {
	Value, Limit float64
	Quality      Quality
	Why          string // what the value alone does not say, such as which phases it was
}

// words says what raised the alarm, such as "fell to 0.39 bar (limit 0.40)".
func (c Crossing) words(kind AlarmKind, q Quantity) string {
	said := c.crossed(kind, q)
	switch {
	case c.Why == "":
		return said
	case kind == DeviceLost:
		return c.Why
	}
	return said + " (" + c.Why + ")"
}

func (c Crossing) crossed(kind AlarmKind, q Quantity) string {
	switch {
	case kind == DeviceLost:
		return "no answer"
	case kind == PointFailed:
		return "no good reading"
	case c.Quality != Good || q == NoQuantity || q == State:
		return "raised"
	}
	value, limit := q.ShowWithUnit(c.Value), q.ShowWithUnit(c.Limit)
	verb := "rose"
	if c.Value < c.Limit {
		verb = "fell"
	}
	switch kind {
	case SwingsMore:
		verb = "swung by"
	case JumpsFaster:
		verb = "jumped by"
	case RisingFaster, FallingFaster:
		verb = "changed by"
	case StuckFor:
		verb = "did not move for"
	case NeverMoves:
		return "did not move in " + value + " starts"
	default:
		if value == limit { // nearer to the limit than the decimals show
			return verb + map[string]string{"rose": " above", "fell": " below"}[verb] + " the limit of " + limit
		}
		verb += " to"
	}
	if unit := value[strings.LastIndexByte(value, ' ')+1:]; strings.HasSuffix(limit, " "+unit) {
		limit = strings.TrimSuffix(limit, " "+unit)
	}
	return verb + " " + value + " (limit " + limit + ")"
}

// episode is one time that an alarm was raised, for its text.
type episode struct {
	kind     AlarmKind
	quantity Quantity
	raised   string // when, in words; "" when that is not known
	crossing Crossing
	lasting  bool   // the condition is there now
	again    bool   // it is over, and the newest values are beyond the limit again
	idle     string // why the rule does not watch now; "" when it does
	value    float64
	quality  Quality
}

// text is the episode in two sentences: what raised it, and what is now.
func (e episode) text() string {
	now := "no good reading"
	switch {
	case e.kind == DeviceLost && e.lasting:
		now = "still no answer"
	case e.kind == DeviceLost:
		now = "it answers"
	case e.kind == PointFailed && e.quality == Good:
		now = "a good reading"
	case e.quality == Good && e.quantity != NoQuantity && e.quantity != State:
		now = e.quantity.ShowWithUnit(e.value)
	case e.quality == Good && e.lasting:
		now = "the same"
	case e.quality == Good:
		now = "not so"
	}
	begun := strings.TrimSpace(e.raised + " " + e.crossing.words(e.kind, e.quantity))
	switch {
	case e.lasting:
		return begun + ". Now " + now + "."
	case e.idle != "":
		return begun + ". Now " + now + "; over: " + e.idle + "."
	case e.quality == Bad && e.kind != DeviceLost:
		return begun + ". Back to normal; now " + now + "."
	case e.again:
		return begun + ". Now " + now + ": beyond the limit again."
	}
	return begun + ". Now " + now + ": back to normal."
}

// Text says what raised the alarm and what is now, such as "14:02:11 UTC fell to
// 0.39 bar (limit 0.40). Now 3.20 bar: back to normal."; "" when it neither
// stands nor waits for a person. q is the quantity of its point.
func (a AlarmStatus) Text(q Quantity, clock Clock, now Instant) string {
	if !a.State.Active() && !a.State.AwaitsPerson() {
		return ""
	}
	e := episode{kind: a.Rule.Kind, quantity: a.Rule.Measures(q), raised: moment(clock, a.Raised, now), crossing: a.Crossing,
		lasting: a.State.Lasts(), again: a.Turning, value: a.Value, quality: a.Quality}
	if !a.Watching {
		e.idle = a.Why
	}
	return e.text()
}

// Text is that of the alarm as it stands after the event, for its raising and
// its end; "" for others. q is the quantity of its point.
func (e AlarmEvent) Text(q Quantity, clock Clock) string {
	over := e.To == AlarmLatchedUnacknowledged || e.To == AlarmReturnedUnacknowledged
	if e.Unwatched || e.From == e.To || e.To != AlarmUnacknowledged && !over {
		return ""
	}
	text := episode{kind: e.Kind, quantity: AlarmRule{Kind: e.Kind}.Measures(q), raised: moment(clock, e.Raised, e.At), crossing: e.Crossing,
		lasting: !over, value: e.Value, quality: e.Quality}
	if over {
		text.idle = e.Why
		return text.text()
	}
	return strings.TrimSpace(text.raised+" "+text.crossing.words(e.Kind, text.quantity)) + "."
}

// ActionHead is what is written before what to do by hand.
func ActionHead(p Priority) string {
	if p == Critical {
		return "Do now"
	}
	return "To do"
}

// moment writes when something was, seen from now: the time of day, with its
// date when that is another day, or how long ago when no clock knows it.
func moment(clock Clock, then, now Instant) string {
	if then.IsZero() {
		return ""
	}
	at, source := clock.Wall(then)
	if source == ClockUnknown {
		ago, same := now.Sub(then)
		switch {
		case same && ago == 0:
			return ""
		case same:
			return Lasting(ago.Round(time.Second)) + " ago:"
		}
		return "before the last start of the computer:"
	}
	if today, source := clock.Wall(now); source != ClockUnknown && today.Format(time.DateOnly) == at.Format(time.DateOnly) {
		return at.Format("15:04:05 UTC")
	}
	return at.Format("2006-01-02 15:04:05 UTC")
}
