package api

import (
	"time"

	"tickover/model"
)

// Alarm is the state of one alarm rule.
type Alarm struct {
	Rule     string     `json:"rule"`
	Label    string     `json:"label"`
	Priority string     `json:"priority"` // "critical", "warning" or "information"
	State    string     `json:"state"`    // by IEC 62682
	Letter   string     `json:"letter"`   // the state's letter in IEC 62682
	Active   bool       `json:"active"`
	Awaits   bool       `json:"awaits_acknowledgement"`
	Since    *time.Time `json:"since"` // when the state began
	Instant  string     `json:"since_instant"`
	Value    *float64   `json:"value"` // now; null unless the reading is good
	Limit    *float64   `json:"limit"`
	Watching bool       `json:"watching"` // the rule is evaluated now
	Why      string     `json:"why,omitempty"`
	FirstOut bool       `json:"first_out"`       // the first of those that were raised together
	Under    string     `json:"under,omitempty"` // the rule of the active alarm that explains it
	Over     bool       `json:"over"`            // the condition is over; the alarm awaits its reset
	Text     string     `json:"text"`            // what raised it and what is now; empty when it is normal
	Raised   *time.Time `json:"raised"`
	RaisedBy *float64   `json:"raised_value"`
	RaisedAt *float64   `json:"raised_limit"`
	Action   string     `json:"action"` // what to do by hand; empty unless the condition lasts
	Basis    string     `json:"basis"`  // where the limit comes from
	// Unwatched is how long in all the rule was armed without a usable reading.
	Unwatched float64    `json:"unwatched_seconds"`
	Chatters  int        `json:"chattering"`    // changes in a minute, when there were too many lately; else 0
	Stale     float64    `json:"stale_seconds"` // how long it is active, when that is too long; else 0
	Until     *time.Time `json:"until"`         // end of a shelving
}

// AlarmStats counts the alarms of all logged time. Average, peak and floods are
// null before ten minutes are logged; Reason then says so.
type AlarmStats struct {
	Logged     float64         `json:"logged_seconds"`
	Raised     int             `json:"raised"`
	ByPriority map[string]int  `json:"by_priority"`
	Spans      int             `json:"spans"`   // stretches of ten minutes that were counted
	Average    *float64        `json:"average"` // alarms in ten minutes
	Peak       *int            `json:"peak"`    // most alarms in ten minutes
	Floods     *int            `json:"floods"`  // stretches with more than ten
	Reason     string          `json:"reason,omitempty"`
	Top        []AlarmCount    `json:"top"` // most frequent first
	Chattering []AlarmCount    `json:"chattering"`
	Stale      []AlarmStanding `json:"stale"`
}

// AlarmCount is how often one rule raised its alarm.
type AlarmCount struct {
	Rule  string `json:"rule"`
	Label string `json:"label"`
	Times int    `json:"times"`
}

// AlarmStanding is how long one alarm was active without a break.
type AlarmStanding struct {
	Rule  string  `json:"rule"`
	Label string  `json:"label"`
	For   float64 `json:"for_seconds"`
}

// Danger is one danger and the instruments of the set that show it.
type Danger struct {
	Danger      string       `json:"danger"` // its ID
	Name        string       `json:"name"`
	Consequence string       `json:"consequence"`
	Instruments []Instrument `json:"instruments"`
	Blind       string       `json:"blind"` // what these instruments do not show
	Fit         string       `json:"fit"`   // what would show it
}

// Instrument shows one danger.
type Instrument struct {
	Instrument string          `json:"instrument"`
	Points     []model.PointID `json:"points"`
	Rules      []string        `json:"rules"`
	Limits     string          `json:"limits"` // under which conditions it shows nothing
}
