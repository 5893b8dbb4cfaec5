// Package transducer turns what a sensor signals into what it measures, and
// back: platinum thermometers, thermocouples, thermistors, current and voltage
// loops, tables, shares of a supply, pulses. The store keeps the signal; the
// value is calculated each time it is read.
//
// The functions are pure and may be called by several goroutines at once.
// Sense changes the scan it is given.
package transducer
