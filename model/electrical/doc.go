// Package electrical is the arithmetic of three-phase power: unbalance,
// sequence components, neutral, loading and volts per hertz, from magnitudes
// as a meter gives them. Where a figure rests on an assumption about angles
// its comment says so and calls it an estimate.
//
// Every function is pure and may be called by several goroutines at once;
// Derive alone changes something, the scan it is handed.
package electrical
