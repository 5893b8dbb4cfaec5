package model

import "time"

// Swing is how one value moved lately. The zero value knows nothing.
type Swing struct {
	Known bool          // false: there are no readings, or they do not span Over yet
	Mean  float64       // canonical unit
	Width float64       // the highest reading less the lowest
	Over  time.Duration // how far the readings reach back
}

// Readiness says whether the set stands steady, so that the next load step or
// setting may be made. The zero value is not ready and says nothing.
type Readiness struct {
	Ready bool
	// Settled says that speed, voltage and load have stood still for a minute,
	// whatever the engine's temperatures and the alarms do.
	Settled bool
	// Unmet holds the criteria not yet met, in words, the gravest first. It is
	// empty when Ready.
	Unmet []string
	// Unasked holds criteria nobody can ask for because their point was never
	// read, in words.
	Unasked []string
	// Left is the least time until Ready if nothing moves any more; 0 when
	// Ready, and when nobody can say.
	Left time.Duration
	// Held is how long the load has not been changed at rated speed.
	Held time.Duration
	// Frequency (Hz) and Voltage (V, the mean of the phases read) are what to
	// set governor and regulator by: they reach back 10 s.
	Frequency, Voltage Swing
}
