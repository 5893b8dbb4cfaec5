// Package report writes what one run showed: as one self-contained HTML file
// for paper and signatures, as JSON for programs (see SCHEMA.md) and as text
// for the terminal. It judges nothing; every figure, limit and verdict comes
// with the record.
//
// The functions keep no state and may be called by several goroutines at once.
package report

import "tickover/cmd/tickover/chart"

// Series hands out the scans that the plots are drawn from, in order of time.
// A nil Series gives a report without plots that says so.
type Series = chart.Series
