package api

// Outlet is the state of one way that readings or alarms go out.
type Outlet struct {
	Name    string            `json:"name"`
	Kind    string            `json:"kind"`
	Trouble string            `json:"trouble"` // empty while it works
	Hint    string            `json:"hint"`
	Sent    uint64            `json:"sent"`
	Fails   uint64            `json:"failures"`
	Dropped map[string]uint64 `json:"dropped"` // by reason
	Pending uint64            `json:"pending"`
	Lag     float64           `json:"lag_seconds"` // age of the oldest that is not sent
}

// OutletTrial is the result of one test message.
type OutletTrial struct {
	Name  string  `json:"name"`
	Kind  string  `json:"kind"`
	Taken bool    `json:"taken"` // the receiver accepted it
	Took  float64 `json:"took_seconds"`
	Error string  `json:"error"`
	Hint  string  `json:"hint"`
}

// CheckIn is the state of the timer of a person who works alone.
type CheckIn struct {
	Watched bool     `json:"watched"` // the timer runs
	Who     string   `json:"who"`
	Every   float64  `json:"every_seconds"` // between two check-ins
	Since   float64  `json:"since_sign_seconds"`
	Missed  int      `json:"missed"`
	Told    []string `json:"told"`        // recipients of a missed check-in
	Left    float64  `json:"due_seconds"` // until the next is missed; 0 while the timer is off
}
