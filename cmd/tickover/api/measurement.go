package api

import (
	"fmt"
	"strings"
	"time"
)

// Measured is what was measured by hand.
type Measured struct {
	Measurements []HandRow `json:"measurements"`
	Gauges       []Check   `json:"gauges"`  // the panel's gauges compared with the sensors
	DryOut       *DryOut   `json:"dry_out"` // null when there is none
}

// Kept is the answer to a measurement that was saved.
type Kept struct {
	Kept    uint64   `json:"kept"` // number of its entry
	Figures []Figure `json:"figures"`
}

// HandRow is one kind of measurement at one place.
type HandRow struct {
	Kind    string     `json:"kind"`
	Points  string     `json:"points"`
	Unit    string     `json:"unit"`   // of the values
	Before  *HandValue `json:"before"` // before the work; null when not measured
	After   *HandValue `json:"after"`
	Figures []Figure   `json:"figures"`
}

// HandValue is one measured value.
type HandValue struct {
	Seq        uint64     `json:"seq"` // number of its entry
	At         *time.Time `json:"at"`
	Value      *float64   `json:"value"`
	Shown      string     `json:"shown"` // in the unit people use
	Who        string     `json:"who,omitempty"`
	Instrument string     `json:"instrument,omitempty"`
	Note       string     `json:"note,omitempty"`
}

// String names the value and its entry; nil is "not measured".
func (v *HandValue) String() string {
	if v == nil {
		return "not measured"
	}
	return fmt.Sprintf("%s (entry %d)", v.Shown, v.Seq)
}

// Figure is one result with its verdict.
type Figure struct {
	Name    string   `json:"name"`
	Value   *float64 `json:"value"` // null when not determined
	Unit    string   `json:"unit"`
	Limit   string   `json:"limit,omitempty"`
	Source  string   `json:"limit_source,omitempty"`
	Verdict string   `json:"verdict"`
	Reason  string   `json:"reason,omitempty"` // why it is not determined
	Note    string   `json:"note,omitempty"`
}

// Shown is the value with its unit, or "not determined".
func (f Figure) Shown() string {
	if f.Value == nil {
		return "not determined"
	}
	return strings.TrimSpace(fmt.Sprintf("%.4g %s", *f.Value, f.Unit))
}

// DryOut is the drying of a winding.
type DryOut struct {
	Points   string       `json:"points"`
	Plateau  bool         `json:"plateau"` // the resistance no longer rises
	Words    string       `json:"words"`
	Readings []DryReading `json:"readings"`
	Figures  []Figure     `json:"figures"`
}

// DryReading is one reading of insulation resistance while drying.
type DryReading struct {
	Hours       *float64 `json:"hours"` // since the first
	Resistance  *float64 `json:"measured_ohms"`
	Temperature *float64 `json:"winding_celsius"`
	Corrected   *float64 `json:"at_40_ohms"` // Resistance corrected to 40 °C
}

// Check is the outcome of one check of the wiring or of a gauge.
type Check struct {
	Code    string             `json:"code"`
	Title   string             `json:"title"`
	Outcome string             `json:"outcome"` // "pass", "finding" or "cannot tell yet"
	Words   string             `json:"words"`
	Do      string             `json:"do,omitempty"`
	Figures map[string]float64 `json:"figures,omitempty"` // what it rests on, by name
	// Corrections are those of a panel gauge.
	Corrections []Correction `json:"corrections,omitempty"`
}

// Correction is one row of a gauge's correction table, in the unit people use.
type Correction struct {
	Shows string `json:"shows"`
	Add   string `json:"add"`
}

// Walk is a one-heater walk: the same heater on L1, L2 and L3 in turn.
type Walk struct {
	Complete bool    `json:"complete"`
	Next     string  `json:"next"` // what to switch next
	Words    string  `json:"words"`
	Drawing  string  `json:"drawing"`
	Checks   []Check `json:"checks"`
}
