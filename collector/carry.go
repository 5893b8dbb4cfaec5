package collector

import (
	"maps"
	"slices"
	"time"

	"tickover/model"
)

// carry takes one round through the fixed steps. Alarms are judged, handed to
// those who notify people and shown before the store gets anything, and the
// store takes it without waiting for its card.
func (c *Collector) carry(r round) {
	scan := r.scan
	events := c.deviceEvents(r)
	if change := c.parts.Derive(scan); change != nil {
		c.state, c.since = change.To, scan.At
		events = append(events, model.Event{At: scan.At, Kind: model.EngineEvent, Text: change.From.String() + " → " + change.To.String(), Engine: change})
	}
	c.settle()
	events = append(events, alarmEvents(c.parts.Judge.Step(scan))...)
	if hold := c.burst.step(scan, c.state); hold > 0 {
		for _, s := range c.signals {
			s.hold(time.Now().Add(hold))
		}
	}
	c.tell(events)
	c.note(scan)
	c.publish(scan.At)
	if scan.Measured == 0 { // it says how the logger does, and is not kept itself
		c.parts.Keep.HandEvents(c.damp.pass(scan.At, events))
		return
	}
	c.keep(c.parts.Keep.Hand(scan, c.damp.pass(scan.At, events)))
}

// settle reports to the store whether anything happens that a power cut must not
// take: it may keep rows longer in memory while the set stands still or runs
// steadily.
func (c *Collector) settle() {
	if c.parts.Ready != nil {
		c.ready = c.parts.Ready()
	}
	c.parts.Keep.SetBusy(c.state != model.Standstill && !c.ready.Settled)
}

// keep logs, on change only, that the store refuses scans.
func (c *Collector) keep(err error) {
	switch {
	case err != nil && c.keeping:
		c.parts.Log.Error("the store refuses readings; alarms go on", "err", err)
	case err == nil && !c.keeping:
		c.parts.Log.Info("the store takes readings again")
	}
	c.keeping = err == nil
}

// logStore logs, on change only, why the store keeps less than it should.
func (c *Collector) logStore(degraded string) {
	switch {
	case degraded != "" && c.degraded == "":
		c.parts.Log.Error("the store cannot keep readings; alarms go on", "err", degraded)
	case degraded == "" && c.degraded != "":
		c.parts.Log.Info("the store keeps readings again")
	}
	c.degraded = degraded
}

// tell hands alarm transitions to those who notify people.
func (c *Collector) tell(events []model.Event) {
	if c.parts.Tell == nil {
		return
	}
	var transitions []model.AlarmEvent
	for _, e := range events {
		if e.Alarm != nil {
			transitions = append(transitions, *e.Alarm)
		}
	}
	if len(transitions) > 0 {
		c.parts.Tell(transitions)
	}
}

// RecordAlarms keeps alarm transitions that people caused. Call it within Do,
// which waits until they are on the card.
func (c *Collector) RecordAlarms(transitions []model.AlarmEvent) {
	events := alarmEvents(transitions)
	c.tell(events)
	c.Record(c.damp.pass(c.parts.Now(), events)...)
}

// Record keeps events that people or the daemon make, and gives them their Seq.
// Call it within Do, which waits until they are on the card.
func (c *Collector) Record(events ...model.Event) {
	c.unkept = append(c.unkept, c.parts.Keep.HandEvents(events))
}

func alarmEvents(transitions []model.AlarmEvent) []model.Event {
	var events []model.Event
	for i := range transitions {
		t := &transitions[i]
		events = append(events, model.Event{At: t.At, Kind: model.AlarmTransition, Text: t.Words(), Who: t.Who, Alarm: t})
	}
	return events
}

// lostAfter is how many rounds without an answer make a device lost.
const lostAfter = 3

func (c *Collector) deviceEvents(r round) []model.Event {
	d := c.devices[r.device]
	if d == nil {
		return nil
	}
	text := ""
	switch {
	case r.skipped:
	case r.err == nil || causeOf(r.err) == model.DeviceException:
		if !d.Up {
			text = "device " + d.Name + " answers"
		}
		d.Up, d.Silent, d.LastGood = true, 0, r.scan.At
	default:
		d.Silent++
		if d.Silent == lostAfter {
			text = "device " + d.Name + " is lost: " + r.err.Error()
			d.Up = false
		}
	}
	d.Reads += uint64(r.reads)
	if r.err == nil && !r.skipped {
		d.Trouble = ""
	}
	if r.err != nil {
		d.Trouble = r.err.Error()
		d.Failures[causeOf(r.err)]++
	}
	var events []model.Event
	if text != "" {
		events = append(events, model.Event{At: r.scan.At, Kind: model.DeviceEvent, Text: text})
	}
	for _, refusal := range r.learned {
		refusal.Device, refusal.Definition = d.Name, c.definition[d.Name]
		d.Learned = append(d.Learned, refusal.Words())
		events = append(events, model.Event{At: r.scan.At, Kind: model.DeviceEvent, Text: "device " + d.Name + ": " + refusal.Words(), Refused: &refusal})
	}
	return append(events, alarmEvents(c.parts.Judge.Device(r.scan.At, d.Name, d.Silent < lostAfter))...)
}

// note remembers the newest reading of each point.
func (c *Collector) note(scan *model.Scan) {
	for _, s := range scan.Samples {
		r := c.readings[s.Point]
		r.Sample, r.At = s, scan.At.Add(s.Lag)
		if s.Quality == model.Good {
			r.Good, r.Last = r.At, s.Value
		}
		c.readings[s.Point] = r
	}
}

// publish makes the snapshot again and wakes whoever waits for it.
func (c *Collector) publish(at model.Instant) {
	snapshot := &model.Snapshot{
		At: at, Readings: maps.Clone(c.readings), State: c.state, Since: c.since, Ready: c.ready,
		Alarms: c.parts.Judge.Status(), Lines: c.lineHealth(),
		Store: c.parts.Keep.Health(), Clock: c.parts.Keep.Clock(), Simulated: c.parts.Setup.Simulated,
	}
	snapshot.Devices = c.deviceHealth(snapshot.Lines)
	c.logStore(snapshot.Store.Degraded)
	c.latest.Store(snapshot)
	c.mu.Lock()
	defer c.mu.Unlock()
	close(c.changed)
	c.changed = make(chan struct{})
}

func (c *Collector) deviceHealth(lines []model.LineHealth) []model.DeviceHealth {
	var all []model.DeviceHealth
	for _, name := range slices.Sorted(maps.Keys(c.devices)) {
		d := *c.devices[name]
		d.Failures, d.Learned = maps.Clone(d.Failures), slices.Clone(d.Learned)
		d.Timeout = timeoutOf(lines, d.Line, d.Unit)
		all = append(all, d)
	}
	return all
}

func timeoutOf(lines []model.LineHealth, line string, unit uint8) time.Duration {
	for _, l := range lines {
		i := slices.IndexFunc(l.Units, func(u model.UnitHealth) bool { return u.Unit == unit })
		if l.Name == line && i >= 0 {
			return l.Units[i].Timeout
		}
	}
	return 0
}
