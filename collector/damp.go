package collector

import (
	"maps"
	"slices"
	"time"

	"tickover/model"
)

// One alarm's changes are written to the journal at most mostChanges times in
// any hour: dampBurst at once, then one each dampEvery. What is shown, notified
// and judged is not damped, and a person's act is always written.
const (
	mostChanges = 60
	dampBurst   = 20
	dampEvery   = time.Hour / (mostChanges - dampBurst)
)

// damper thins out the changes of alarms that chatter, on their way to the
// journal. The newest change left out is held and written as soon as there is
// room again, with the number of those left out before it, so that the journal
// ends in the state that the alarm is in.
type damper struct{ alarms map[string]*chatter }

type chatter struct {
	spent   time.Duration // room used, dampEvery for each change written
	at      model.Instant // when that was worked out
	held    *model.Event
	leftOut int // before held
}

func newDamper() *damper { return &damper{alarms: map[string]*chatter{}} }

// pass returns the events to be written now.
func (d *damper) pass(now model.Instant, events []model.Event) (write []model.Event) {
	for _, e := range events {
		if e.Alarm == nil {
			write = append(write, e)
			continue
		}
		c := d.alarms[e.Alarm.Rule]
		if c == nil {
			c = &chatter{at: now}
			d.alarms[e.Alarm.Rule] = c
		}
		switch {
		case e.Alarm.Who != "":
			write = append(append(write, c.release()...), e)
		case c.room(now):
			write = append(write, c.add(e)...)
		default:
			c.hold(e)
		}
	}
	for _, rule := range slices.Sorted(maps.Keys(d.alarms)) {
		if c := d.alarms[rule]; c.held != nil && c.room(now) {
			c.spent += dampEvery
			write = append(write, c.release()...)
		}
	}
	return write
}

// rest returns what is held, at the end.
func (d *damper) rest() (write []model.Event) {
	for _, rule := range slices.Sorted(maps.Keys(d.alarms)) {
		write = append(write, d.alarms[rule].release()...)
	}
	return write
}

// room reports whether one more change may be written.
func (c *chatter) room(now model.Instant) bool {
	since, same := now.Sub(c.at)
	c.at = now
	if !same {
		since = time.Hour
	}
	c.spent = max(c.spent-max(since, 0), 0)
	return c.spent+dampEvery <= dampBurst*dampEvery
}

// add writes a change that there is room for; one that was held is counted.
func (c *chatter) add(e model.Event) []model.Event {
	c.spent += dampEvery
	c.hold(e)
	return c.release()
}

// hold keeps a change for later in place of the one held before.
func (c *chatter) hold(e model.Event) {
	if c.held != nil {
		c.leftOut++
	}
	c.held = &e
}

// release gives back the change held, with the count of those left out.
func (c *chatter) release() []model.Event {
	if c.held == nil {
		return nil
	}
	e, alarm := *c.held, *c.held.Alarm
	alarm.LeftOut = c.leftOut
	e.Alarm, e.Text = &alarm, alarm.Words()
	c.held, c.leftOut = nil, 0
	return []model.Event{e}
}
