package model

import "time"

// Run is one run of the set: from before the first crank until after
// standstill.
type Run struct {
	ID       string  // "1", "2" ... in the order they happened
	Started  Instant // at least 10 s before the first crank, or when the store begins
	Ended    Instant // 30 min after standstill, or the last thing known; zero while it lasts
	Cranked  Instant // first crank; zero when it was not seen
	Stopped  Instant // standstill; zero while it turns
	Cranks   int
	Starts   int           // cranks that led to self-sustained speed
	Running  time.Duration // time on own fuel
	Loaded   time.Duration
	Open     bool   // still going on
	CutShort string // why the end is not known, such as a power failure; empty otherwise
	States   []StateSpan
}

// StateSpan is a stretch of one engine state.
type StateSpan struct {
	State    EngineState
	From, To Instant
	Evidence string
}

// Verdict of a figure against its limit. The zero value is NotDetermined.
type Verdict uint8

// The verdicts. Nothing is ever called safe, and nothing said to comply.
const (
	NotDetermined Verdict = iota
	Within
	Outside
	NoLimit // a figure without a limit
)

// String gives the verdict in words.
func (v Verdict) String() string {
	return word([]string{"not determined", "within", "outside", "no limit"}, int(v))
}

// Bound says what kind of figure a value is. The zero value is Exact.
type Bound uint8

// The bounds.
const (
	Exact    Bound = iota // the value, give or take its uncertainty
	AtLeast               // the truth may be larger in magnitude: a dip seen by sampling
	Interval              // the truth lies in Low..High
	AtMost                // the truth may be lower: the lowest of readings
)

// Figure is one number of the report with everything needed to trust it.
type Figure struct {
	Name        string // such as "frequency droop"
	Symbol      string // the standard's, such as "δf_st"; may be empty
	Value       float64
	Unit        string // as the value is written here
	Known       bool   // false: Value means nothing and Reason says why
	Bound       Bound
	Low, High   float64 // for Interval
	Uncertainty float64 // half-width, same unit; 0 means not stated
	Limit       string  // in words, such as "≤ 8 %"; empty for none
	LimitSource string  // the published source of the limit
	Confidence  string  // how the limit was known: "seen", "from memory", "common practice", "derived"
	Verdict     Verdict
	Reason      string        // why, for NotDetermined and Outside
	Seen        time.Duration // sampling interval it was seen with; 0 means not applicable
	Note        string
}

// NotKnown makes a figure that the data cannot support.
func NotKnown(name, symbol, unit, reason string) Figure {
	return Figure{Name: name, Symbol: symbol, Unit: unit, Reason: reason}
}

// RunRecord is everything worked out about one run, as the report shows it.
type RunRecord struct {
	Version    int // of this schema
	Run        Run
	Rating     Rating
	Simulated  bool
	Started    time.Time // UTC; zero when the clock was never known
	ClockKnown ClockSource
	Findings   []string // what was found, in a few lines
	NotTested  []string // what was not tested or cannot be told
	Timeline   []Event
	FirstStart []StartRecord
	Steps      []LoadStep
	Repeats    []Repeat   // steps that were made several times
	Influence  *Influence // of one-phase loads on the voltages; nil when there were none
	Steady     []SteadySpan
	Figures    []Figure
	Soak       []LogRow
	Alarms     []AlarmEvent
	Hand       []Event // measurements by hand
	Class      string  // the limit set judged by
	Sensors    []Point // the points measured, in the order of the setup; empty when not on record
	Machine    []Fact  `json:",omitempty"` // the machine card
	// HandRows are the measurements by hand, judged, before and after side by
	// side; DryOut the drying of the windings; Gauges the panel against the
	// sensors; Wiring the commissioning checks. Empty when there is nothing.
	HandRows []HandRow `json:",omitempty"`
	DryOut   *DryOut   `json:",omitempty"`
	Gauges   []Check   `json:",omitempty"`
	Wiring   []Check   `json:",omitempty"`
}

// StartRecord is one crank and what came of it.
type StartRecord struct {
	At      Instant
	Started bool // it reached self-sustained speed
	Figures []Figure
}

// LoadStep is one change of load.
type LoadStep struct {
	At      Instant
	Phases  string  // "L1", "L2", "L3" or "L1 L2 L3"
	From    float64 // W
	To      float64 // W
	Before  map[PointID]float64
	After   map[PointID]float64
	Figures []Figure
}

// Repeat is a load step that was made several times.
type Repeat struct {
	Phases   string
	From, To float64  // W, means of all
	Steps    []int    // their places in RunRecord.Steps, from 0
	Figures  []Figure // means of all, their spread in the note; intervals hold all of them
}

// Influence is what load on one phase does to the voltage of each.
type Influence struct {
	// VoltsPerWatt is the change of line-to-neutral voltage by phase measured,
	// then phase loaded; NaN where no such load was seen.
	VoltsPerWatt [3][3]float64
	Steps        [3]int // one-phase steps seen of L1, L2 and L3
	Senses       string // which voltage the regulator holds, in words, or why it cannot be told
	Figures      []Figure
}

// SteadySpan is a stretch in which nothing was changed.
type SteadySpan struct {
	From, To Instant
	Load     float64 // W, mean
	Points   map[PointID]Spread
}

// Spread of a point over a span.
type Spread struct {
	Mean, Min, Max float64
	Slope          float64 // canonical unit per second
	Count          int
}

// LogRow is one line of the soak log-sheet.
type LogRow struct {
	At     Instant             // where the span begins
	Over   time.Duration       // how long it is
	Values map[PointID]float64 // means over the span; of a counter its last reading
}
