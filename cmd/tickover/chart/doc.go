// Package chart draws readings over time as SVG, for the report on paper and
// for the page on a telephone. A column of a drawing keeps the lowest and the
// highest reading that fell into it, a gap stays a gap, and load steps and
// alarms stand where they happened.
//
// Nothing here is shared between goroutines; a Gathered belongs to whoever
// gathered it.
package chart
