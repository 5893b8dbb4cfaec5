package api

import (
	"time"

	"tickover/model"
)

// Now is everything that is known of the set at the newest scan.
type Now struct {
	At        *time.Time              `json:"at"`
	Instant   string                  `json:"instant"`     // At as an instant
	Age       float64                 `json:"age_seconds"` // of the newest scan
	Simulated bool                    `json:"simulated"`
	Clock     string                  `json:"clock"` // how the time of day is known
	Engine    Engine                  `json:"engine"`
	Points    map[model.PointID]Point `json:"points"`
	Alarms    []Alarm                 `json:"alarms"`
	Devices   []Device                `json:"devices"`
	Store     Store                   `json:"store"`
	Next      NextStep                `json:"next_step"`
}

// Engine is the state of the engine.
type Engine struct {
	State string   `json:"state"`
	For   *float64 `json:"for_seconds"` // since the state began
}

// Point is the newest reading of one point.
type Point struct {
	Value    *float64 `json:"value"` // null unless the reading is good
	Quantity string   `json:"quantity"`
	Unit     string   `json:"unit"` // of Value: the quantity's canonical one
	Quality  string   `json:"quality"`
	Cause    string   `json:"cause,omitempty"` // why the reading is not good
	Age      *float64 `json:"age_seconds"`     // since the last good reading
	Stale    bool     `json:"stale"`
	LastGood *float64 `json:"last_good_value"`
}

// Device is whether one device answers.
type Device struct {
	Name    string `json:"name"`
	Line    string `json:"line"`
	Unit    uint8  `json:"unit"`
	Up      bool   `json:"up"`
	Trouble string `json:"trouble,omitempty"`
}

// Store is the state of what is on record.
type Store struct {
	Degraded string `json:"degraded,omitempty"` // why readings are not kept as configured
	Bytes    int64  `json:"bytes"`
	Lost     uint64 `json:"lost_scans"`
	// LostEvents were given up because the card took none and memory was full.
	LostEvents uint64 `json:"lost_events"`
}

// NextStep says whether the next load step may follow.
type NextStep struct {
	Ready   bool     `json:"ready"`
	Unmet   []string `json:"unmet"`        // conditions that are not met
	Unasked []string `json:"not_asked"`    // conditions that the instruments cannot show
	Left    *float64 `json:"left_seconds"` // until it is ready if nothing changes
	Held    float64  `json:"held_seconds"` // how long the load has been held
}
