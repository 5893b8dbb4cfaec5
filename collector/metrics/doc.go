// Package metrics shows the latest snapshot to Prometheus: the set's values as
// genset_*, the daemon's own as tickover_*, all in base units.
//
// A value is served only while it may be believed. A Bad or stale one is left
// out, so that the server sees its series end; tickover_sample_age_seconds
// goes on growing. Nothing is served with a time stamp or as NaN.
//
// A Collector may be used by any number of goroutines at once, save that
// Nameplate and Count must be called before the first scrape.
package metrics
