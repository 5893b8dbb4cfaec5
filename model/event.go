package model

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
)

var eventKinds = []string{"note", "engine", "alarm", "device", "clock", "store", "daemon", "measurement", "remark"}

// String names the kind in a word.
func (k EventKind) String() string { return word(eventKinds, int(k)) }

// Event is anything that happened and is kept for ever. Exactly the part that
// belongs to Kind is set.
type Event struct {
	Seq    uint64 // order in the store, from 1; 0 before it is kept
	At     Instant
	Kind   EventKind
	Text   string       // in words
	Who    string       `json:",omitempty"`
	Engine *StateChange `json:",omitempty"`
	Alarm  *AlarmEvent  `json:",omitempty"`
	Hand   *Measurement `json:",omitempty"`
}

// Measurement is one value taken by hand.
type Measurement struct {
	Kind       string  // such as "insulation resistance"
	Points     string  // where it was taken, such as "U-E"
	Value      float64 // canonical unit of Quantity
	Quantity   Quantity
	Instrument string // with its serial number and calibration date
	Conditions map[string]float64
	Note       string
	Corrects   uint64 // Seq of the entry this one corrects; 0 means none
}
