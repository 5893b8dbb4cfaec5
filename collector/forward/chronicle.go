package forward

import (
	"iter"
	"maps"
	"slices"
	"time"

	"tickover/model"
)

// States gives what is no reading: how the engine and the alarms stand. The
// values are rebuilt from the kept events, so that they are sent for the time
// of an outage as well.
type States struct {
	Events func(model.Query) iter.Seq2[model.Event, error]
	// Engine is the series that is 1 while the engine is in a state.
	Engine func(model.EngineState) model.Series
	// Alarm is the series that is 1 while an alarm is active, and the one that
	// is 1 while it awaits a person.
	Alarm func(id string, p model.Priority) (active, awaits model.Series)
}

// stateEvery is how often states are sent though nothing changed: servers
// forget a series after five minutes.
const stateEvery = time.Minute

// eventGroup is the cursor's name for events; no group of points has it.
const eventGroup = "events"

// chronicle is how engine and alarms stood at the place that a pass has
// reached. With nil states it is empty.
type chronicle struct {
	states *States
	known  bool // an engine's state was met
	engine model.EngineState
	alarms map[string]model.AlarmEvent // the last transition of each
	upTo   model.Instant
	told   int64 // when all states were sent last, ms

	next func() (model.Event, error, bool)
	stop func()
	peek *model.Event // read but not yet reached
}

// open begins a pass; close must follow.
func (c *chronicle) open() {
	if c.states == nil {
		return
	}
	c.next, c.stop = iter.Pull2(c.states.Events(model.Query{From: c.upTo}))
}

func (c *chronicle) close() {
	if c.stop != nil {
		c.stop()
	}
	c.peek = nil
}

// until applies the events up to a moment and shows each to the caller.
func (c *chronicle) until(at model.Instant, each func(model.Event)) {
	if c.states == nil {
		return
	}
	seen := c.upTo // events of this instant were applied by an earlier pass
	for {
		if c.peek == nil {
			e, err, more := c.next()
			if !more {
				return
			}
			if err != nil || !seen.Before(e.At) || e.Engine == nil && e.Alarm == nil {
				continue
			}
			c.peek = &e
		}
		if at.Before(c.peek.At) {
			return
		}
		e := *c.peek
		c.peek = nil
		c.apply(e)
		each(e)
	}
}

func (c *chronicle) apply(e model.Event) {
	if c.upTo.Before(e.At) {
		c.upTo = e.At
	}
	if e.Engine != nil {
		c.engine, c.known = e.Engine.To, true
	}
	if e.Alarm != nil {
		c.alarms[e.Alarm.Rule] = *e.Alarm
	}
}

// addStates adds the states to the batch: of events that happened up to a scan,
// and all of them when that was long ago.
func (w *Writer) addStates(s span, at model.Instant) {
	c := &w.chronicle
	c.until(at, func(e model.Event) {
		done, ok := w.cursor.Groups[eventGroup]
		if t, dated := s.dates(e.At); dated && (!ok || done.Before(e.At)) {
			w.addEvent(t, e)
		}
		w.reached[eventGroup] = e.At
	})
	t, dated := s.dates(at)
	if c.states == nil || !dated || t-c.told < stateEvery.Milliseconds() && t >= c.told {
		return
	}
	c.told = t
	if c.known {
		w.addEngine(t)
	}
	for _, rule := range slices.Sorted(maps.Keys(c.alarms)) {
		w.addAlarm(t, c.alarms[rule])
	}
}

// dates gives a moment's time of day in ms; false when it may not be sent.
func (s span) dates(at model.Instant) (int64, bool) {
	d := s.boots[at.Boot]
	t := int64((at.Offset + d.offset) / time.Millisecond)
	return t, d.known && t >= s.from && t <= s.to
}

func (w *Writer) addEvent(t int64, e model.Event) {
	if e.Engine != nil {
		w.addEngine(t)
	}
	if e.Alarm != nil {
		w.addAlarm(t, *e.Alarm)
	}
}

func (w *Writer) addEngine(t int64) {
	for _, state := range model.EngineStates() {
		w.addState(t, "engine "+state.String(), w.chronicle.engine == state, func() model.Series { return w.chronicle.states.Engine(state) })
	}
}

func (w *Writer) addAlarm(t int64, a model.AlarmEvent) {
	w.addState(t, "active "+a.Rule, a.To.Active(), func() model.Series { s, _ := w.chronicle.states.Alarm(a.Rule, a.Priority); return s })
	w.addState(t, "awaits "+a.Rule, a.To.AwaitsPerson(), func() model.Series { _, s := w.chronicle.states.Alarm(a.Rule, a.Priority); return s })
}

func (w *Writer) addState(t int64, key string, yes bool, series func() model.Series) {
	v := 0.0
	if yes {
		v = 1
	}
	w.batch = append(w.batch, sample{w.table.named(key, series), t, v})
}
