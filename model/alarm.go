package model

import (
	"fmt"
	"strconv"
	"time"
)

// Priority of an alarm. The zero value is Information.
type Priority uint8

// The priorities.
const (
	Information Priority = iota
	Warning
	Critical
)

// String names the priority in words.
func (p Priority) String() string {
	return word([]string{"information", "warning", "critical"}, int(p))
}

// AlarmKind says what an alarm rule looks at. The zero value is BelowLimit.
type AlarmKind uint8

// The kinds of alarm rule.
const (
	BelowLimit    AlarmKind = iota // value under Limit
	AboveLimit                     // value over Limit
	RisingFaster                   // rate of change over Limit, units per second, over Window
	FallingFaster                  // rate of change under -Limit
	OutsideBand                    // value outside Low..Limit
	DeviceLost                     // no good answer from a device
	PointFailed                    // a point is Bad for another reason than a lost device
	SwingsMore                     // highest less lowest value over Window is over Limit
	JumpsFaster                    // from one sample to the next by over Limit a second, either way
	StuckFor                       // same to the last digit for Window, though the engine started or came to rest
	NeverMoves                     // the same value through Limit starts
	UsedUpWithin                   // at the rate of the last Window nothing is left within Limit seconds
)

var alarmKinds = []string{"below", "above", "rising faster than", "falling faster than", "outside", "device lost", "point failed",
	"swings more than", "jumps faster than", "stuck for", "never moves in starts", "used up within"}

// String names the kind as the configuration does.
func (k AlarmKind) String() string { return word(alarmKinds, int(k)) }

// AlarmState is one of the states of IEC 62682 / ISA-18.2. The zero value is
// AlarmNormal.
type AlarmState uint8

// The alarm states; the letters are the standard's.
const (
	AlarmNormal                 AlarmState = iota // A
	AlarmUnacknowledged                           // B
	AlarmAcknowledged                             // C
	AlarmReturnedUnacknowledged                   // D: returned to normal, unacknowledged
	AlarmLatchedUnacknowledged                    // E
	AlarmLatchedAcknowledged                      // F
	AlarmShelved                                  // G
	AlarmSuppressedByDesign                       // H
	AlarmOutOfService                             // I
)

var alarmStates = []string{"normal", "unacknowledged", "acknowledged", "returned to normal, unacknowledged",
	"latched, unacknowledged", "latched, acknowledged", "shelved", "suppressed by design", "out of service"}

// String names the state in the standard's words.
func (s AlarmState) String() string { return word(alarmStates, int(s)) }

// AlarmStates lists all states in the order of the standard's letters.
func AlarmStates() []AlarmState {
	return []AlarmState{AlarmNormal, AlarmUnacknowledged, AlarmAcknowledged, AlarmReturnedUnacknowledged, AlarmLatchedUnacknowledged,
		AlarmLatchedAcknowledged, AlarmShelved, AlarmSuppressedByDesign, AlarmOutOfService}
}

// Letter gives the standard's letter, A to I.
func (s AlarmState) Letter() string { return string(rune('A' + s)) }

// Active reports whether the condition is there, or was and is latched.
func (s AlarmState) Active() bool {
	switch s {
	case AlarmUnacknowledged, AlarmAcknowledged, AlarmLatchedUnacknowledged, AlarmLatchedAcknowledged:
		return true
	}
	return false
}

// Lasts reports whether the condition is there now. Only then may a text say
// what to do about it.
func (s AlarmState) Lasts() bool { return s == AlarmUnacknowledged || s == AlarmAcknowledged }

// AwaitsPerson reports whether somebody has yet to acknowledge.
func (s AlarmState) AwaitsPerson() bool {
	switch s {
	case AlarmUnacknowledged, AlarmReturnedUnacknowledged, AlarmLatchedUnacknowledged:
		return true
	}
	return false
}

// AlarmRule is one thing to warn of. Alarms advise; they never stop anything.
type AlarmRule struct {
	ID       string // dotted words, unique, such as "oil.pressure.low"
	Label    string // what it says to people
	Priority Priority
	Kind     AlarmKind
	Point    PointID // what it looks at; empty for DeviceLost
	// Points are judged as one, such as the three phases: the worst counts, or
	// the least bad with AllOf. Point is the first of them. Only for kinds that
	// judge the value itself. Empty means Point alone.
	Points []PointID
	// AllOf makes the rule abnormal only while every one of Points is.
	AllOf  bool
	Device string // for DeviceLost
	Line   string // of Device
	// Follows lists alarms that explain this one: raised while one of them stands,
	// it is shown under that and not announced by itself, unless it is graver.
	Follows []string
	Limit   float64 // canonical unit of the point, or per second for rates
	Low     float64 // lower limit of OutsideBand; with PerSpeed the least limit
	// PerSpeed multiplies Limit by the speed in revolutions a second: the
	// limit is then in Pa·s and never less than Low, which also holds while
	// no speed is known. False means a fixed limit.
	PerSpeed bool
	// Poles of the alternator let PerSpeed take the speed from the frequency
	// when no speed is measured; 0 means it cannot.
	Poles int
	// Cold names the temperature by which the limit, of a battery that cranks,
	// falls as LoadVolts does below 21 °C; "" means that it does not.
	Cold PointID
	// Like names the load by which the limit is learned: Limit is then how far
	// above what the point showed first at a like load. "" means a fixed limit.
	Like     PointID
	Window   time.Duration // over which a rate or swing is taken, or of StuckFor; 0 means 60 s, of UsedUpWithin 30 min
	Deadband float64       // how far back the value must come to be normal, canonical unit; 0 means none
	OnDelay  time.Duration // how long the condition must hold; 0 means at once
	OffDelay time.Duration // how long normal must hold; 0 means at once
	Latch    bool          // stays after the value returned until reset by acknowledging
	// ArmedIn lists the engine states in which the rule watches. Empty means
	// all. Elsewhere it is suppressed by design.
	ArmedIn []EngineState
	// ArmDelay is counted from self-sustained speed (the change to running
	// up); 0 means no delay.
	ArmDelay time.Duration
	// GoodOnce arms the rule only after the value was normal once in this run. A
	// value above its band is not waited with: a run up passes the lower end only.
	// Of several points one normal value arms the rule for all: one phase at its
	// voltage shows that the others ought to be.
	GoodOnce bool
	// While counts the value as abnormal only while a second point says so too.
	// The zero value asks nothing.
	While AlarmCondition
	// Regardless is a limit beyond Limit, canonical unit: a value beyond it is
	// abnormal whatever While says. 0 means that While is always asked.
	Regardless float64
	// Unless counts the value as normal while a second point says so. It asks
	// nothing while that point cannot be seen: the rule then judges alone.
	Unless AlarmCondition
	// DarkMeter takes the silence of a meter for the absence of voltage and not for a
	// loss of sight: one that the set feeds is dark without it.
	DarkMeter bool
	// Steady names a point that must not have swung by more than SteadyWithin
	// (canonical unit) over Window and a quarter of it more for the rule to judge
	// at all; "" means none. While it is not judged, no delay runs.
	Steady       PointID
	SteadyWithin float64
	// Remind raises an acknowledged alarm anew when its condition still stands
	// so long after the acknowledgement; 0 means never.
	Remind time.Duration
	Action string // what to do by hand
	Basis  string // where the limit comes from
	// Consequence says who or what is harmed when nobody acts, and TimeToAct how
	// long that takes; 0 means that it is for the log. Both are empty for a rule
	// of the user's own.
	Consequence string
	TimeToAct   time.Duration
}

// Measures says what the rule's value and limit are of a point of a quantity;
// NoQuantity when there is no value, or no name for it.
func (r AlarmRule) Measures(q Quantity) Quantity {
	switch r.Kind {
	case DeviceLost, PointFailed:
		return NoQuantity
	case StuckFor, UsedUpWithin:
		return Duration
	case NeverMoves:
		return Count
	case RisingFaster, FallingFaster, JumpsFaster:
		return map[Quantity]Quantity{Temperature: TemperatureRate, Pressure: PressureRate}[q]
	}
	return q
}

// AlarmCondition asks a second point to be over or under a limit.
type AlarmCondition struct {
	Point PointID // empty means no condition
	Below bool    // false: over Limit
	Limit float64 // canonical unit
}

// AlarmEvent is one transition of one alarm.
type AlarmEvent struct {
	At       Instant
	Rule     string
	Label    string
	Priority Priority
	From, To AlarmState
	Kind     AlarmKind `json:",omitempty"`
	Raised   Instant   `json:",omitzero"` // when it was raised last, and by what
	Crossing Crossing  `json:",omitzero"`
	Value    float64   // what was seen; meaningless when Bad
	Quality  Quality
	Limit    float64 // what it was held against, canonical unit
	Point    PointID
	Quantity Quantity
	Engine   EngineState
	Unwatched,
	FirstOut bool // the rule lost its input; the first of a group of alarms
	// Flood marks one of many raised at once, for which the summary speaks.
	// Critical ones are never marked.
	Flood bool `json:",omitempty"`
	// LeftOut is how many changes of the alarm came right before this one and
	// are not in the journal, because it chattered.
	LeftOut int `json:",omitempty"`
	// Under is the rule of a standing alarm that explains this one: it is shown
	// under that and not announced by itself. Empty means none.
	Under string `json:",omitempty"`
	// Alone marks, between one state and the same, an alarm that outlived the one
	// it was shown under.
	Alone bool `json:",omitempty"`
	// Also lists more rules that lost their input, or have it back, together
	// with Rule and for the same cause.
	Also   []string `json:",omitempty"`
	Until  Instant  // end of shelving, when To is AlarmShelved
	Who    string   // for a person's act
	Why    string   // for a person's act, or the words of the cause
	Action string   // what to do by hand; empty unless the condition lasts
}

// Announced reports whether the event raises an alarm that people hear of by
// itself: information is for the log, and what is shown under another alarm
// has been announced by that.
func (e AlarmEvent) Announced() bool {
	return e.To == AlarmUnacknowledged && e.From != e.To && e.Priority > Information && e.Under == ""
}

// Quiet reports whether the event is no news to a person: the rule only went
// on or off watch with the engine's state, and nothing was or is wrong.
func (e AlarmEvent) Quiet() bool {
	calm := func(s AlarmState) bool { return s == AlarmNormal || s == AlarmSuppressedByDesign }
	return e.From != e.To && calm(e.From) && calm(e.To)
}

// Words says what happened, without when and by whom, such as "Oil pressure
// low: unacknowledged, 0.40 bar against 1.05 bar".
func (e AlarmEvent) Words() string {
	said := e.Label
	if said == "" {
		said = e.Rule
	}
	if len(e.Also) > 0 {
		said = strconv.Itoa(len(e.Also)+1) + " alarms"
	}
	switch {
	case e.Unwatched:
		said += ": not watched"
	case e.From == e.To && e.Who == "":
		return said + ": " + e.Why
	default:
		said += ": " + e.To.String()
	}
	if e.To == AlarmUnacknowledged && !e.Unwatched && e.Quality == Good && e.Quantity != NoQuantity && e.Quantity != State {
		said += ", " + e.Quantity.ShowWithUnit(e.Value) + " against " + e.Quantity.ShowWithUnit(e.Limit)
	}
	if e.Why != "" {
		said += " (" + e.Why + ")"
	}
	if e.LeftOut > 0 {
		said += fmt.Sprintf(" (%d changes before this one are not listed: the alarm chatters)", e.LeftOut)
	}
	return said
}

// AlarmStatus is where one alarm stands now.
type AlarmStatus struct {
	Rule     AlarmRule
	State    AlarmState
	Since    Instant
	Raised   Instant  // when it last became unacknowledged; zero means never
	Crossing Crossing // what raised it then
	Turning  bool     // the newest values say otherwise than the state, and a delay runs
	Point    PointID  // what was last seen to decide: of several points the worst; empty for DeviceLost
	Value    float64  // what was last seen
	Limit    float64  // the limit in force, canonical unit
	Quality  Quality
	Watching bool   // false when armed but without a good input, or not armed
	Why      string // why it does not watch, or the shelving reason
	FirstOut bool
	Under    string  // the rule of the alarm that it is shown under; empty means none
	Until    Instant // end of shelving; zero means none
	// Unwatched is how long the rule was armed without a good input, in all.
	Unwatched time.Duration
	// Chatters is how often the alarm changed in one minute, when that was
	// three times or more within the last ten minutes of logged time; else 0.
	Chatters int
	// Stale is how long the condition has stood without a break, when that is
	// more than 24 h of logged time; else 0.
	Stale time.Duration
}
