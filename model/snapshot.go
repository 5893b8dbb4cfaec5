package model

import "time"

// Reading is the newest sample of one point.
type Reading struct {
	Sample
	At   Instant // of the answer
	Good Instant // of the last good sample; zero means never
	Last float64 // value of the last good sample; meaningless when Good is zero
}

// Snapshot is everything known now. It is made anew for every scan and never
// changed afterwards, so any number of readers may hold it.
type Snapshot struct {
	At        Instant
	Readings  map[PointID]Reading
	State     EngineState
	Since     Instant // when the state began
	Ready     Readiness
	Alarms    []AlarmStatus
	Lines     []LineHealth
	Devices   []DeviceHealth
	Store     StoreHealth
	Clock     Clock
	Simulated bool // nothing here is real
}

// LineHealth counts what happened on a line since the daemon started.
type LineHealth struct {
	Name    string
	Kind    LineKind
	Open    bool
	Trouble string        // why it is not open; empty when open
	Lacks   []string      // in words, what the port's driver was asked for and does not do
	Busy    time.Duration // time the wire was in use
	Up      time.Duration // time since the line was first tried
	Planned float64       // share of its time that the rounds planned take
	// BurstEvery is how often a burst reads the fast points by plan; 0 when
	// there are none or no time is left.
	BurstEvery time.Duration
	Reopened   uint64
	Overruns   uint64 // poll rounds skipped because the line was late
	Messages   uint64 // answers that passed every check
	Corrupt    uint64
	NoAnswers  uint64
	Foreign    uint64
	Retries    uint64
	Late       uint64 // answers that came after their question was given up
	Echoes     uint64
	Ghosts     uint64 // good answers with stray bytes beside them
	Fences     uint64 // short reads put in so that a late answer is not mistaken
	// Exceptions counts answers by exception code.
	Exceptions map[byte]uint64
	// Units are the units that were asked, by number.
	Units []UnitHealth
	// Burst says that the fast points are polled as fast as the line allows.
	Burst bool
}

// DeviceHealth is how one device answers.
type DeviceHealth struct {
	Name     string
	Line     string
	Unit     uint8
	Up       bool
	Silent   int     // reads in a row without an answer
	LastGood Instant // zero means never
	Trouble  string  // the last failure in words; empty when up
	// Reads and Failures count since the daemon started; Failures by cause.
	Reads    uint64
	Failures map[Cause]uint64
	Timeout  time.Duration // response timeout in force
	// Learned says in words what the device refused and how it is read since:
	// registers that are not read through, a lower limit for one read.
	Learned []string
}

// StoreHealth is how the store fares.
type StoreHealth struct {
	Degraded   string // why it does not keep everything; empty when it does
	Bytes      int64  // size of the file
	FreeDisk   int64  // bytes free beside it; -1 means not known
	Pending    int    // scans not yet synced
	Appended   uint64 // scans kept since the daemon started
	Lost       uint64 // scans that could not be kept
	Events     uint64
	LostEvents uint64 // events given up because the card took none and memory was full
	SyncedSeq  uint64
}
