package model

import "time"

// Swing is how one value moved lately. The zero value is not known.
type Swing struct {
	Known bool          // false: there are no readings, or they do not span Over yet
	Mean  float64       // canonical unit
	Width float64       // the highest reading less the lowest
	Over  time.Duration // how far the readings reach back
}

// Readiness is whether the set is steady, so that the next load step or setting may be
// made. The zero value is not ready and has no reasons.
type Readiness struct {
	Ready bool
	// Settled: speed, voltage and load have been constant for a minute,
	// whatever the engine's temperatures and the alarms do.
	Settled bool
	// Unmet holds the texts of the criteria not yet met, the most important first. It
	// is empty when Ready.
	Unmet []string
	// Unasked holds the texts of criteria that are not judged because their point was
	// never read.
	Unasked []string
	// Left is the least time until Ready if nothing moves any more; 0 when
	// Ready, and when it is not known.
	Left time.Duration
	// Held is how long the load has not been changed at rated speed.
	Held time.Duration
	// Frequency (Hz) and Voltage (V, the mean of the phases read) are what to
	// set governor and regulator by: they reach back 10 s.
	Frequency, Voltage Swing
}
