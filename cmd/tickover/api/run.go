package api

import (
	"time"

	"tickover/model"
)

// Run is one run of the set: from the first crank until it stands again.
type Run struct {
	ID       string     `json:"id"`
	Started  *time.Time `json:"started"`
	Ended    *time.Time `json:"ended"`                // null while it goes on
	Date     string     `json:"started_text"`         // Started for people, with the clock that vouches for it
	EndDate  string     `json:"ended_text,omitempty"` // the same of Ended
	From     string     `json:"from"`                 // Started as an instant
	To       string     `json:"to,omitempty"`         // Ended as an instant
	Cranks   int        `json:"cranks"`
	Starts   int        `json:"starts"` // cranks after which the engine ran by itself
	Running  float64    `json:"running_seconds"`
	Loaded   float64    `json:"loaded_seconds"`
	Open     bool       `json:"open"`                // it goes on, or the record ends within it
	CutShort string     `json:"cut_short,omitempty"` // why the record of it is incomplete
}

// End says when the run ended, or why its record stops short.
func (r Run) End() string {
	switch {
	case r.Open:
		return "still going"
	case r.CutShort != "":
		return r.EndDate + ": " + r.CutShort
	}
	return r.EndDate
}

// Comparison is how one run differed from another.
type Comparison struct {
	Before      string       `json:"before"` // a run's ID
	After       string       `json:"after"`
	Differences []Difference `json:"differences"` // largest first
	Alike       int          `json:"alike"`       // figures that agree within their uncertainty
	Open        []string     `json:"not_compared"`
}

// Difference is one figure that differs by more than its uncertainty.
type Difference struct {
	What   string   `json:"what"`
	Words  string   `json:"words"` // the difference as a sentence
	From   *float64 `json:"from"`
	To     *float64 `json:"to"`
	Unit   string   `json:"unit"`
	Weight float64  `json:"weight"` // what it is ranked by
}

// Events is one page of the timeline.
type Events struct {
	Events []Event `json:"events"`
	Next   *uint64 `json:"next"` // "after" of the following page; null at the end
}

// Event is one entry of the timeline.
type Event struct {
	Seq      uint64     `json:"seq"`
	At       *time.Time `json:"at"`
	Instant  string     `json:"instant"` // At as an instant
	Kind     string     `json:"kind"`    // note, remark, measurement, fact, engine, alarm, device, clock ...
	Text     string     `json:"text"`
	Who      string     `json:"who,omitempty"`
	From     string     `json:"from,omitempty"` // state before, of an engine or alarm event
	To       string     `json:"to,omitempty"`   // state after
	Evidence string     `json:"evidence,omitempty"`
	Rule     string     `json:"rule,omitempty"` // of an alarm event
	Priority string     `json:"priority,omitempty"`
	Value    *float64   `json:"value,omitempty"`
	Quantity string     `json:"quantity,omitempty"` // of Value, which is in its canonical unit
	Points   string     `json:"points,omitempty"`   // where a measurement was taken
	Photo    uint64     `json:"photo,omitempty"`    // number for /api/v1/photos
}

// BlackBox is a stretch of readings around a critical alarm or an abrupt stop,
// which is never deleted.
type BlackBox struct {
	ID          uint64     `json:"id"`
	Why         []string   `json:"why"` // the events it is kept for
	From        *time.Time `json:"from"`
	To          *time.Time `json:"to"`
	FromInstant string     `json:"from_instant"`
	ToInstant   string     `json:"to_instant"`
	Scans       int        `json:"scans"`
	Points      int        `json:"points"`
	Readings    int        `json:"readings"`
	Whole       bool       `json:"whole"`
	Lacks       []string   `json:"lacks"` // why it is not whole
}

// Trends are plots in numbers.
type Trends struct {
	Start   *time.Time              `json:"start"`          // what at_seconds count from
	Instant string                  `json:"start_instant"`  // Start as an instant
	Folded  float64                 `json:"folded_seconds"` // length of the stretches drawn from; 0 for samples
	Points  map[model.PointID]Trend `json:"points"`
	Marks   []TrendMark             `json:"marks"`
}

// Trend is the plot of one point.
type Trend struct {
	Quantity string        `json:"quantity"`
	Unit     string        `json:"unit"`
	Width    float64       `json:"column_seconds"`
	Columns  []TrendColumn `json:"columns"`
}

// TrendColumn is the lowest and the highest reading of one column.
type TrendColumn struct {
	At   float64 `json:"at_seconds"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	Gap  bool    `json:"gap_before"` // no line is drawn from the column before
}

// TrendMark is a load step, an alarm or a run on a plot.
type TrendMark struct {
	At    float64 `json:"at_seconds"`
	Label string  `json:"label"`
	Alarm bool    `json:"alarm"`
}
