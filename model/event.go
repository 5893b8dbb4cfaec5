package model

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// EventKind says what an event tells. The zero value is NoteEvent.
type EventKind uint8

// The kinds of event.
const (
	NoteEvent        EventKind = iota // a person's words
	EngineEvent                       // the engine state changed
	AlarmTransition                   // an alarm changed state
	DeviceEvent                       // a device or line was lost or came back
	ClockEvent                        // the wall clock was learned or jumped
	StoreEvent                        // the store was damaged, degraded, repaired
	DaemonEvent                       // the daemon started or stopped
	MeasurementEvent                  // a measurement by hand
	RemarkEvent                       // a one-tap remark
	FactEvent                         // a fact of the machine card
	WiringEvent                       // the outcome of a one-heater walk
)

var eventKinds = []string{"note", "engine", "alarm", "device", "clock", "store", "daemon", "measurement", "remark", "fact", "wiring"}

// String names the kind in a word.
func (k EventKind) String() string { return word(eventKinds, int(k)) }

// EventKindNamed finds a kind by its word; false when there is none.
func EventKindNamed(name string) (EventKind, bool) {
	i := slices.Index(eventKinds, name)
	return EventKind(max(i, 0)), i >= 0
}

// Event is anything that happened and is kept. Exactly the part that belongs to
// Kind is set. Old changes of alarms below critical and of devices are thinned
// out, see Thinned; everything else is kept for ever.
type Event struct {
	Seq    uint64 // order in the store, from 1; 0 before it is kept
	At     Instant
	Kind   EventKind
	Text   string       // in words
	Who    string       `json:",omitempty"`
	Engine *StateChange `json:",omitempty"`
	Alarm  *AlarmEvent  `json:",omitempty"`
	Hand   *Measurement `json:",omitempty"`
	Fact   *Fact        `json:",omitempty"`
	Checks []Check      `json:",omitempty"` // of a WiringEvent
	// Refused is what a DeviceEvent tells that planning goes by after a restart.
	Refused *RefusedRead `json:",omitempty"`
	Photo   uint64       `json:",omitempty"` // number of a photo in the store that belongs to the words; 0 means none
	// Thinned counts the earlier entries that this one replaces; nil means none.
	Thinned *Thinned `json:",omitempty"`
}

// Thinned says what an old event replaces: of one alarm or device, on one day and
// in one engine state, only the first entry and the last are kept.
type Thinned struct {
	Count int    // changes that are no longer listed
	From  uint64 // Seq of the first of them
}

func (t Thinned) words() string {
	return fmt.Sprintf(" (%d changes before this one are no longer listed)", t.Count)
}

// SetThinned sets what the event replaces, and says so in its text.
func (e *Event) SetThinned(t Thinned) {
	e.Thinned, e.Text = &t, e.FirstText()+t.words()
}

// FirstText is the text as it was written first, without what SetThinned added.
func (e Event) FirstText() string {
	if e.Thinned == nil {
		return e.Text
	}
	return strings.TrimSuffix(e.Text, e.Thinned.words())
}

// Measurement is one value taken by hand.
type Measurement struct {
	Kind       string  // such as "insulation resistance"
	Points     string  // where it was taken, such as "U-E"
	Value      float64 // canonical unit of Quantity
	Quantity   Quantity
	Instrument string // with its serial number and calibration date
	// Conditions hold what else was read, by name; each name has one unit,
	// such as "winding temperature" in °C or "after 30 s" in Ω.
	Conditions map[string]float64
	Note       string
	Corrects   uint64 // Seq of the entry this one corrects; 0 means none
	// Taken is when it was measured, UTC; zero means at the event's instant.
	Taken time.Time `json:",omitzero"`
	Stage string    `json:",omitempty"` // "before", "during" or "after" the work; empty means not said
	Ticks []string  `json:",omitempty"` // what was ticked off beforehand, in words
}

// Fact is one line of the machine card, such as "engine serial number". A
// later fact of the same name takes the place of an earlier one.
type Fact struct{ Name, Text string }
