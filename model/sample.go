package model

import "time"

// PointID names a point by dotted words of the trade, such as "voltage.l1n"
// or "oil.pressure".
type PointID string

// Quality says whether a value may be believed. The zero value is Bad, so
// that a forgotten field is honest.
type Quality uint8

// The qualities. Only Good values are judged, summed, plotted as lines or
// served as gauges.
const (
	Bad Quality = iota
	Good
)

// String gives the quality in words.
func (q Quality) String() string { return word([]string{"bad", "good"}, int(q)) }

// Cause says why a sample is Bad. The zero value, NoCause, stands beside Good.
type Cause uint8

// The causes of Bad samples.
const (
	NoCause         Cause = iota
	NotPolledYet          // no read was due yet
	LineClosed            // the adapter or the gateway is not there
	NoAnswer              // the unit did not answer in time
	CorruptAnswer         // bytes came, but no frame that passes its checks
	ForeignAnswer         // a frame came that answers another question
	DeviceException       // the unit answered with an exception
	NotImplemented        // the register holds its "not implemented" value
	Implausible           // outside the point's plausible window
	SensorFailed          // the signal says that its sensor is open, shorted or failed
	InputBad              // derived from a point that is Bad
	Undefined             // the formula has no value here, such as a ratio at standstill
	Stale                 // too old to be believed
)

var causes = []string{"", "not polled yet", "line closed", "no answer", "corrupt answer", "foreign answer",
	"device exception", "not implemented by the device", "implausible", "sensor failed", "input bad", "undefined", "stale"}

// String gives the cause in words, "" for NoCause.
func (c Cause) String() string { return word(causes, int(c)) }

// Sample is one reading of one point.
type Sample struct {
	Point   PointID
	Value   float64 // canonical unit of the point's quantity; when Bad meaningless, or what was read and is Implausible
	Quality Quality
	Cause   Cause         // why it is Bad; NoCause when Good
	Lag     time.Duration // how long after the scan's instant the answer came, whole ms; 0 or more
}

// GoodSample makes a sample to be believed.
func GoodSample(p PointID, v float64) Sample { return Sample{Point: p, Value: v, Quality: Good} }

// BadSample makes a sample that failed.
func BadSample(p PointID, c Cause) Sample { return Sample{Point: p, Cause: c} }

// Scan is what one round over one group of points found. Points read together
// share it, and with it one instant.
type Scan struct {
	Group    string // the device's name and interval, such as "meter/1s"; keys the store's columns
	At       Instant
	Samples  []Sample
	Measured int // Samples[:Measured] came off the wire, the rest was derived from them
}

// Find returns the sample of a point; false when the scan has none.
func (s *Scan) Find(p PointID) (Sample, bool) {
	for i := range s.Samples {
		if s.Samples[i].Point == p {
			return s.Samples[i], true
		}
	}
	return Sample{}, false
}
