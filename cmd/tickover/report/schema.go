package report

import (
	"time"

	"tickover/model"
)

// SchemaVersion is the version of the JSON report. It grows when a field
// changes its meaning or goes away, not when one is added.
const SchemaVersion = 1

// The types below are the JSON report; SCHEMA.md says what each field means.

type document struct {
	Schema     string      `json:"schema"`
	Version    int         `json:"version"`
	Simulated  bool        `json:"simulated"`
	Advisory   string      `json:"advisory"`
	Set        set         `json:"set"`
	Run        run         `json:"run"`
	Clock      clock       `json:"clock"`
	Findings   []string    `json:"findings"`
	NotTested  []string    `json:"not_tested"`
	Timeline   []event     `json:"timeline"`
	FirstStart []start     `json:"first_start"`
	Steps      []step      `json:"load_steps"`
	Repeats    []repeat    `json:"repeats"`
	Influence  *influence  `json:"influence"`
	Steady     []steady    `json:"steady_spans"`
	Class      string      `json:"class"`
	Figures    []figure    `json:"figures"`
	Soak       []logRow    `json:"soak_log"`
	Alarms     []alarm     `json:"alarms"`
	Hand       []event     `json:"hand_measurements"`
	Compared   []compared  `json:"hand_compared"`
	DryOut     *dryOut     `json:"dry_out"`
	Gauges     []checked   `json:"panel_gauges"`
	Wiring     []checked   `json:"wiring"`
	Machine    []fact      `json:"machine_card"`
	Sensors    []sensor    `json:"sensors"`
	Sources    []string    `json:"limit_sources"`
	Cautions   []cautioned `json:"cautions"`
}

type compared struct {
	Kind    string   `json:"kind"`
	Points  string   `json:"points"`
	Unit    string   `json:"unit"`
	Before  *float64 `json:"before"`
	After   *float64 `json:"after"`
	Figures []figure `json:"figures"`
}

type dryOut struct {
	Points   string   `json:"points"`
	Plateau  bool     `json:"plateau"`
	Words    string   `json:"words"`
	Readings []dryRow `json:"readings"`
	Figures  []figure `json:"figures"`
}

type dryRow struct {
	Hours       *float64 `json:"hours"`
	Resistance  *float64 `json:"measured_ohms"`
	Temperature *float64 `json:"winding_celsius"`
	Corrected   *float64 `json:"at_40_celsius_ohms"`
}

type checked struct {
	Code    string `json:"code"`
	Title   string `json:"title"`
	Outcome string `json:"outcome"`
	Words   string `json:"words"`
	Do      string `json:"do"`
	// Corrections are those of a panel gauge, by what it shows.
	Corrections []corrected `json:"corrections,omitempty"`
}

type corrected struct {
	Shows float64 `json:"shows"`
	Add   float64 `json:"add"`
	Unit  string  `json:"unit"`
}

type fact struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

type set struct {
	Name        string   `json:"name"`
	Site        string   `json:"site"`
	Apparent    *float64 `json:"apparent_power_va"`
	PowerFactor *float64 `json:"power_factor"`
	Voltage     *float64 `json:"voltage_v"`
	Frequency   *float64 `json:"frequency_hz"`
	Poles       int      `json:"poles"`
	Battery     *float64 `json:"battery_v"`
}

// moment is a time of day in UTC, null when no clock knew it, and the seconds
// since the run began, null when they are not known.
type moment struct {
	At     *time.Time `json:"at"`
	Offset *float64   `json:"offset_seconds"`
}

type run struct {
	ID       string     `json:"id"`
	Started  *time.Time `json:"started"`
	Ended    *time.Time `json:"ended"`
	Cranked  moment     `json:"cranked"`
	Stopped  moment     `json:"stopped"`
	Cranks   int        `json:"cranks"`
	Starts   int        `json:"starts"`
	Running  float64    `json:"running_seconds"`
	Loaded   float64    `json:"loaded_seconds"`
	Open     bool       `json:"open"`
	CutShort string     `json:"cut_short"`
	States   []state    `json:"states"`
}

type state struct {
	State    string `json:"state"`
	From     moment `json:"from"`
	To       moment `json:"to"`
	Evidence string `json:"evidence"`
}

type clock struct {
	Source string      `json:"source"`
	Boots  []bootClock `json:"boots"`
}

type bootClock struct {
	Boot      uint32 `json:"boot"`
	Source    string `json:"source"`
	Estimates int    `json:"estimates"`
}

type event struct {
	moment
	Kind   string       `json:"kind"`
	Text   string       `json:"text"`
	Who    string       `json:"who,omitempty"`
	Engine *stateChange `json:"engine,omitempty"`
	Alarm  *alarm       `json:"alarm,omitempty"`
	Hand   *measurement `json:"measurement,omitempty"`
}

type stateChange struct {
	From     string  `json:"from"`
	To       string  `json:"to"`
	Evidence string  `json:"evidence"`
	Lag      float64 `json:"lag_seconds"`
}

type measurement struct {
	Kind       string              `json:"kind"`
	Points     string              `json:"points"`
	Value      *float64            `json:"value"`
	Quantity   string              `json:"quantity"`
	Unit       string              `json:"unit"`
	Instrument string              `json:"instrument"`
	Conditions map[string]*float64 `json:"conditions"`
	Note       string              `json:"note"`
	Corrects   uint64              `json:"corrects,omitempty"`
}

type start struct {
	moment
	Started bool     `json:"started"`
	Figures []figure `json:"figures"`
}

type step struct {
	moment
	Phases  string                     `json:"phases"`
	From    *float64                   `json:"from_w"`
	To      *float64                   `json:"to_w"`
	Before  map[model.PointID]*float64 `json:"before"`
	After   map[model.PointID]*float64 `json:"after"`
	Figures []figure                   `json:"figures"`
}

type repeat struct {
	Phases  string   `json:"phases"`
	From    *float64 `json:"from_w"`
	To      *float64 `json:"to_w"`
	Steps   []int    `json:"steps"` // places in load_steps, from 0
	Figures []figure `json:"figures"`
}

type influence struct {
	VoltsPerWatt [3][3]*float64 `json:"volts_per_watt"` // by phase measured, then phase loaded
	Steps        [3]int         `json:"steps"`
	Senses       string         `json:"regulator_senses"`
	Figures      []figure       `json:"figures"`
}

type steady struct {
	From   moment                   `json:"from"`
	To     moment                   `json:"to"`
	Load   *float64                 `json:"load_w"`
	Points map[model.PointID]spread `json:"points"`
}

type spread struct {
	Mean  *float64 `json:"mean"`
	Min   *float64 `json:"min"`
	Max   *float64 `json:"max"`
	Slope *float64 `json:"slope_per_second"`
	Count int      `json:"count"`
}

type figure struct {
	Name        string   `json:"name"`
	Symbol      string   `json:"symbol"`
	Value       *float64 `json:"value"`
	Unit        string   `json:"unit"`
	Bound       string   `json:"bound"`
	Low         *float64 `json:"low"`
	High        *float64 `json:"high"`
	Uncertainty *float64 `json:"uncertainty"`
	Limit       string   `json:"limit"`
	Source      string   `json:"limit_source"`
	Confidence  string   `json:"confidence"`
	Verdict     string   `json:"verdict"`
	Reason      string   `json:"reason"`
	Seen        *float64 `json:"seen_every_seconds"`
	Note        string   `json:"note"`
}

type logRow struct {
	moment
	Over   float64                    `json:"over_seconds"`
	Values map[model.PointID]*float64 `json:"values"`
}

type alarm struct {
	moment
	Rule     string   `json:"rule"`
	Label    string   `json:"label"`
	Priority string   `json:"priority"`
	From     string   `json:"from"`
	To       string   `json:"to"`
	Point    string   `json:"point"`
	Value    *float64 `json:"value"`
	Limit    *float64 `json:"limit"`
	Unit     string   `json:"unit"`
	Engine   string   `json:"engine"`
	First    bool     `json:"first_out"`
	Unseen   bool     `json:"unwatched"`
	Who      string   `json:"who"`
	Why      string   `json:"why"`
	Action   string   `json:"action"`
}

type sensor struct {
	Point    model.PointID `json:"point"`
	Label    string        `json:"label"`
	Quantity string        `json:"quantity"`
	Unit     string        `json:"unit"`
	Device   string        `json:"device"`
	Every    *float64      `json:"every_seconds"`
	Class    *float64      `json:"accuracy"`
}

type cautioned struct {
	Title string `json:"title"`
	Text  string `json:"text"`
}
