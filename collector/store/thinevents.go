package store

import (
	"encoding/binary"
	"maps"
	"slices"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

const (
	// keepEvents is how much must be logged after an event before it may be
	// thinned out.
	keepEvents = 90 * 24 * time.Hour
	// eventDay is the day of the rule, by the clock of the event's boot: it
	// needs no wall time, which may not be known.
	eventDay = 24 * time.Hour
	// eventsPerSeal bounds what one transaction looks at. Sealing every ten
	// minutes, it goes through 72000 events a day; a chattering alarm writes 1440.
	eventsPerSeal = 500
)

// eventThinning goes through the old events once, some with each sealing. Of
// the frequent ones (see thinKey) only the first and the last of a day stay, and
// the last one counts those between. It begins with the first event after each
// start; what was thinned out by then is left as it is.
type eventThinning struct {
	before model.Instant // days that end before it may be thinned out; zero means none
	next   uint64        // Seq to go on from
	run    uint64        // Seq of the last engine event
	boot   uint32        // the day that last belongs to
	day    int64
	last   map[eventKey]lastOfDay
	taken  int // events deleted
}

// eventKey is what the events that may be thinned out have in common.
type eventKey struct {
	kind  model.EventKind
	name  string
	quiet bool
	run   uint64 // 0 for what is no news about a run
}

// lastOfDay is the newest event of one key; seq is 0 when only the first is there.
type lastOfDay struct {
	seq     uint64
	thinned model.Thinned
	leftOut int // changes that the alarm's damping had left out before it
}

// thinKey returns what an event is counted with; false when it stays for ever.
// Alarm changes of information and warnings may go, but for a first-out and a
// person's act; so may the loss and return of a device. A refused read stays,
// since planning goes by it.
func thinKey(e model.Event) (eventKey, bool) {
	switch a := e.Alarm; {
	case e.Who != "":
	case e.Kind == model.AlarmTransition && a != nil:
		name := a.Rule + "\x00" + strings.Join(a.Also, "\x00")
		may := a.Priority < model.Critical && !a.FirstOut && a.Who == ""
		return eventKey{kind: e.Kind, name: name, quiet: a.Quiet()}, may
	case e.Kind == model.DeviceEvent && e.Refused == nil:
		name, _, _ := strings.Cut(e.FirstText(), ": ") // without the cause
		return eventKey{kind: e.Kind, name: name, quiet: true}, true
	}
	return eventKey{}, false
}

// clone lets a transaction fail without a trace.
func (t eventThinning) clone() eventThinning {
	t.last, t.taken = maps.Clone(t.last), 0
	return t
}

// old reports whether the day of an instant is over for so long that its events
// may be thinned out.
func (t *eventThinning) old(at model.Instant) bool {
	end := model.Instant{Boot: at.Boot, Offset: time.Duration(floorDiv(int64(at.Offset), int64(eventDay))+1) * eventDay}
	return end.Before(t.before)
}

// thinEvents goes on through the old events. holds reports whether an instant
// lies within a span whose readings are kept for ever; its events are, too.
func (t *eventThinning) thinEvents(tx *bolt.Tx, holds func(model.Instant) bool) error {
	if t.before.IsZero() {
		return nil
	}
	bucket := tx.Bucket(bucketEvents)
	remove, rewrite := []uint64{}, map[uint64]model.Event{}
	c, looked := bucket.Cursor(), 0
	for k, v := c.Seek(eventID(t.next)); k != nil && looked < eventsPerSeal; k, v = c.Next() {
		looked++
		if len(k) != 8 {
			continue
		}
		e, _, err := readEvent(k, v, model.Query{})
		if err != nil {
			t.next = binary.BigEndian.Uint64(k) + 1
			continue // it stays for salvage
		}
		if !t.old(e.At) {
			break
		}
		t.next = e.Seq + 1
		if old := t.step(&e, holds(e.At)); old != 0 {
			delete(rewrite, old)
			remove, rewrite[e.Seq] = append(remove, old), e
		}
	}
	for _, seq := range remove {
		if err := bucket.Delete(eventID(seq)); err != nil {
			return err
		}
	}
	for _, seq := range slices.Sorted(maps.Keys(rewrite)) {
		text, err := encodeEvent(rewrite[seq])
		if err != nil {
			return err
		}
		if err := put(bucket, eventID(seq), text); err != nil {
			return err
		}
	}
	t.taken = len(remove)
	return nil
}

// step takes one old event and returns the Seq of the one that it replaces, 0
// for none; e then counts that one.
func (t *eventThinning) step(e *model.Event, held bool) (replaced uint64) {
	if day := floorDiv(int64(e.At.Offset), int64(eventDay)); t.last == nil || e.At.Boot != t.boot || day != t.day {
		t.boot, t.day, t.last = e.At.Boot, day, map[eventKey]lastOfDay{}
	}
	if e.Kind == model.EngineEvent {
		t.run = e.Seq
	}
	key, may := thinKey(*e)
	if !may {
		return 0
	}
	if !key.quiet {
		key.run = t.run
	}
	if held {
		delete(t.last, key) // so that no count reaches across it
		return 0
	}
	last, seen := t.last[key]
	now := lastOfDay{}
	if seen {
		now.seq = e.Seq
	}
	if e.Thinned != nil {
		now.thinned = *e.Thinned
	}
	if e.Alarm != nil {
		now.leftOut = e.Alarm.LeftOut
	}
	if last.seq != 0 {
		replaced = last.seq
		now.thinned.Count += last.thinned.Count + last.leftOut + 1
		if now.thinned.From = last.thinned.From; now.thinned.From == 0 {
			now.thinned.From = last.seq
		}
		e.SetThinned(now.thinned)
	}
	t.last[key] = now
	return replaced
}

func eventID(seq uint64) []byte { return binary.BigEndian.AppendUint64(nil, seq) }
