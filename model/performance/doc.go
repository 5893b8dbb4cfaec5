// Package performance works out how good a run was: the starts, the load
// steps, the steady spans, and the figures of ISO 8528-5 with their verdicts.
//
// It makes one pass over the scans and keeps a short window of each point, so
// its memory does not grow with the length of the run, only with the number of
// steps, spans and log-sheet rows found.
//
// Every judged figure is held as bounds between which the truth lies. A limit
// beyond the upper bound is kept to, one below the lower bound is not, and
// anything between is not determined. What sampling cannot see has no upper
// bound, and the reason travels with the figure.
//
// Record keeps no state between calls; several goroutines may call it at once
// with scans of their own.
package performance
