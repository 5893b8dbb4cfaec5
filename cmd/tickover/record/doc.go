// Package record answers questions about what is on record: runs, reports,
// exports, trends, measurements, notes and bundles. A Reader may be used by any
// number of goroutines at once.
package record
