// Package daemon starts and stops everything that runs: store, lines, carrier,
// alarms, page, outlets and the watches of clock, supply and computer.
package daemon
