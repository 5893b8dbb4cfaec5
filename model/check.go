package model

import "time"

// Outcome of a check. The zero value is CannotTell.
type Outcome uint8

// The outcomes.
const (
	CannotTell Outcome = iota // the points or the data do not allow it yet
	Pass
	Finding
)

// String gives the outcome in words.
func (o Outcome) String() string {
	return word([]string{"cannot tell yet", "pass", "finding"}, int(o))
}

// Check is one question that was put to wiring, gauges or sensors, and what
// came of it.
type Check struct {
	Code    string // short and lasting, such as "C09"
	Title   string // what was asked
	Outcome Outcome
	Words   string             // what was seen
	Do      string             // what to do about it; empty for a pass
	Figures map[string]float64 `json:",omitempty"` // numbers behind the words, canonical units
	// Corrections are those of a gauge, by what it shows, lowest first.
	Corrections []Correction `json:",omitempty"`
}

// Correction is what to add to a gauge where it shows something, in the
// canonical unit of Quantity.
type Correction struct {
	Quantity   Quantity
	Shows, Add float64
}

// Words gives both with their units.
func (c Correction) Words() (shows, add string) {
	return c.Quantity.ShowWithUnit(c.Shows), c.Quantity.ShowDifference(c.Add)
}

// HandRow is one kind of measurement at one place: what was measured first and
// last, and what the last one means.
type HandRow struct {
	Kind, Points  string
	Quantity      Quantity
	Before, After *HandValue // nil when not measured
	Figures       []Figure   // of the last one
}

// HandValue is one measurement in a HandRow.
type HandValue struct {
	Seq        uint64
	At         Instant
	Taken      time.Time // UTC; zero means at At
	Value      float64
	Who        string
	Instrument string
	Note       string
	Corrected  bool // a later entry took the place of an earlier one
}

// DryOut is the drying of windings as the insulation readings show it.
type DryOut struct {
	Points  string // where the readings were taken
	Rows    []DryOutRow
	Plateau bool
	Words   string   // what the readings say
	Figures []Figure // slope, idle time, volts per hertz, water removed
}

// DryOutRow is one insulation reading of a dry-out.
type DryOutRow struct {
	At          Instant
	Taken       time.Time
	Hours       float64 // since the first reading
	Resistance  float64 // Ω as measured
	Temperature float64 // °C of the winding
	Corrected   float64 // Ω at 40 °C, halving rule
}

// Walk is a one-heater walk as far as the record shows it: the same heater on
// an outlet of L1, of L2 and of L3 in turn, everything else left alone.
type Walk struct {
	Complete bool
	Next     string // what to do now, in words; empty when complete
	Words    string // the outcome, or what is still to do
	Drawing  string // what is connected where, in plain characters; empty before the end
	Checks   []Check
}
