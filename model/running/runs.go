package running

import (
	"fmt"
	"strconv"
	"time"

	"tickover/model"
)

// How far a run reaches beyond the turning of the engine.
const (
	lead  = 10 * time.Second
	trail = 30 * time.Minute
)

// Runs cuts the history of engine states into runs: each from 10 s before it
// first turned to 30 min after it last stood still. A crank within those 30
// min belongs to the same run, unknown states do not part a run, and neither
// do reboots. changes are events in order of Seq; those of other kinds only
// show that the logger was alive. last is the newest instant known.
//
// The rows of boots, where given, show how long each boot was alive, and, if
// both clocks were known, how long the logger was off between two. Without
// them time spent off counts as none, and a boot that was cut short ends at
// its last event.
func Runs(changes []model.Event, last model.Instant, boots ...model.Boot) []model.Run {
	c := cutter{calendar: newCalendar(changes, last, boots)}
	for _, event := range changes {
		if event.Kind != model.EngineEvent || event.Engine == nil {
			c.reach(event.At)
			continue
		}
		at := c.begun(event.At, *event.Engine)
		c.reach(at)
		c.change(at, *event.Engine)
	}
	c.reach(last)
	if c.run != nil {
		c.run.Open = true
		c.file()
	}
	return c.runs
}

// cutter walks through the history.
type cutter struct {
	calendar calendar
	runs     []model.Run
	run      *model.Run // that has not ended yet
	now      model.Instant
	state    model.EngineState
	known    model.EngineState // last state that was not unknown
	evidence string
	from     model.Instant // of the present span
	rested   time.Duration // at standstill in this run
	lost     string        // how the view was lost while it turned
	lostAt   model.Instant // and when
	ended    model.Instant // of the last run
}

// reach moves on to an instant in the present state, over reboots.
func (c *cutter) reach(at model.Instant) {
	if c.now.IsZero() {
		c.now, c.from = at, at
		return
	}
	for c.now.Boot < at.Boot {
		next := c.calendar.after(c.now.Boot, at.Boot)
		c.pass(
			model.Instant{Boot: c.now.Boot, Offset: max(c.now.Offset, c.calendar.end(c.now.Boot))})
		c.reboot(next)
	}
	if c.now.Before(at) {
		c.pass(at)
	}
}

// pass lets time go by within one boot and ends a run that stood long enough.
func (c *cutter) pass(at model.Instant) {
	gone, _ := at.Sub(c.now)
	if c.run != nil && c.state == model.Standstill {
		if c.rested+gone >= trail {
			c.close(c.now.Add(trail - c.rested))
		}
		c.rested += gone
	}
	if c.run != nil && c.state.Running() {
		c.run.Running += gone
		if c.state == model.Loaded {
			c.run.Loaded += gone
		}
	}
	c.now = at
}

// reboot goes over to the next boot. What the engine does is unknown until
// the signals tell.
func (c *cutter) reboot(next model.Instant) {
	c.endSpan()
	off := c.calendar.off(c.now.Boot, next.Boot)
	if c.run != nil && c.known == model.Standstill {
		if c.rested+off >= trail {
			c.close(c.now)
		}
		c.rested += off
	}
	if c.state.Turning() {
		c.lost, c.lostAt = fmt.Sprintf("power failed while %s", c.state), c.now
	}
	c.now, c.from = next, next
	c.state, c.evidence = model.EngineUnknown, "the logger restarted"
}

// begun is when the evidence for a change began, not before what is passed.
func (c *cutter) begun(at model.Instant, to model.StateChange) model.Instant {
	begun := at.Add(-to.Lag)
	if begun.Before(c.now) && at.Boot == c.now.Boot {
		return c.now
	}
	return begun
}

// change enters a state.
func (c *cutter) change(at model.Instant, to model.StateChange) {
	if to.To.Turning() && c.run == nil {
		c.open(at)
	}
	c.endSpan()
	if c.run != nil {
		c.count(at, to.To)
	}
	c.state, c.evidence, c.from = to.To, to.Evidence, at
	if to.To != model.EngineUnknown {
		c.known, c.lost = to.To, ""
	}
}

// count counts cranks and starts once each. An engine that runs and did not
// before was cranked, seen or not.
func (c *cutter) count(at model.Instant, to model.EngineState) {
	r := c.run
	stood := c.known == model.Standstill
	switch {
	case to == model.Cranking && c.known != model.Cranking:
		r.Cranks++
		if r.Cranked.IsZero() {
			r.Cranked = at
		}
	case to.Running() && stood:
		r.Cranks++
		r.Starts++
	case to.Running() && c.known == model.Cranking:
		r.Starts++
	}
	switch {
	case to.Turning():
		r.Stopped, r.CutShort, c.rested = model.Instant{}, "", 0
	case to == model.Standstill && c.known.Turning():
		r.Stopped, r.CutShort, c.rested = at, "", 0
		if c.lost != "" {
			r.CutShort = c.lost + "; the engine was at standstill when the logger was back"
		}
	}
}

// open begins a run a little before the instant it first turned.
func (c *cutter) open(at model.Instant) {
	begin := at.Add(-lead)
	if floor := c.calendar.begin(at.Boot); begin.Offset < floor {
		begin.Offset = min(floor, at.Offset)
	}
	if begin.Before(c.ended) {
		begin = c.ended
	}
	c.run = &model.Run{Started: begin}
	if c.from.Before(begin) {
		c.from = begin
	}
}

// span notes the state that ends now.
func (c *cutter) endSpan() {
	if c.run == nil || c.from.Compare(c.now) >= 0 {
		return
	}
	c.run.States = append(c.run.States,
		model.StateSpan{State: c.state, From: c.from, To: c.now, Evidence: c.evidence})
}

// close ends the run at an instant of the present boot.
func (c *cutter) close(at model.Instant) {
	c.now = at
	c.endSpan()
	c.run.Ended, c.ended = at, at
	c.from, c.rested, c.lost = at, 0, ""
	c.file()
}

// keep files the run. One whose end a cut of power hid, with nothing known of
// the engine since, is over at the cut; a sign of running makes it one again.
func (c *cutter) file() {
	r := c.run
	switch {
	case r.Open && c.lost != "":
		r.Open, r.Ended, c.ended = false, c.lostAt, c.lostAt
		r.CutShort = c.lost + "; the time after it is not on record"
	case r.Open:
		c.endSpan()
	}
	r.ID = strconv.Itoa(len(c.runs) + 1)
	c.runs = append(c.runs, *r)
	c.run = nil
}
