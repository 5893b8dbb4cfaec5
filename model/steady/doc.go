// Package steady judges a running set live: is it steady, so that the next load step or
// setting may be made, and if not, what is missing and for how long.
//
// It works on scans alone and keeps five minutes of frequency, voltages, coolant temperature
// and oil pressure. A Monitor belongs to one goroutine.
package steady
