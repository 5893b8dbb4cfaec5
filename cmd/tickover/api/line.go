package api

// Line is the state of one line. Counters count since the daemon started.
type Line struct {
	Line     string   `json:"line"`
	Kind     string   `json:"kind"`
	Open     bool     `json:"open"`
	Trouble  string   `json:"trouble,omitempty"`
	Burst    bool     `json:"burst"`                  // it reads fast now
	Share    float64  `json:"busy_share"`             // of the time, 0 to 1
	Planned  float64  `json:"planned_share"`          // the same by plan
	Bursts   float64  `json:"burst_interval_seconds"` // by plan; 0 when there is no burst
	Up       float64  `json:"up_seconds"`
	Lacks    []string `json:"lacks"` // settings that the port's driver does not support
	Reopened uint64   `json:"reopened"`
	Overruns uint64   `json:"overruns"`
	LineCounts
	Units []LineUnit `json:"units"`
}

// LineCounts are the counters that lines and units share.
type LineCounts struct {
	Messages   uint64            `json:"messages"`
	Corrupt    uint64            `json:"corrupt"`
	NoAnswers  uint64            `json:"no_answers"`
	Foreign    uint64            `json:"foreign"` // replies of another unit
	Retries    uint64            `json:"retries"`
	Late       uint64            `json:"late"` // replies after the timeout
	Fences     uint64            `json:"fences"`
	Echoes     uint64            `json:"echoes"`
	Ghosts     uint64            `json:"ghosts"`
	Exceptions map[string]uint64 `json:"exceptions"` // by code, in hex
}

// LineUnit is the state of one unit on a line.
type LineUnit struct {
	Unit    uint8   `json:"unit"`
	Device  string  `json:"device,omitempty"`
	Asked   uint64  `json:"asked"`
	Timeout float64 `json:"timeout_seconds"`
	Median  float64 `json:"latency_median_seconds"`
	P99     float64 `json:"latency_p99_seconds"`
	Longest float64 `json:"latency_longest_seconds"`
	// Turnaround is the mean that planning uses, or what it assumes.
	Turnaround float64  `json:"turnaround_seconds"`
	Assumed    bool     `json:"turnaround_assumed"`
	Planned    float64  `json:"planned_share"` // of the line's time, 0 to 1
	Learned    []string `json:"learned"`       // what its answers showed about it
	LineCounts
}
