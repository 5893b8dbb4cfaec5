// Package collector polls each line on schedule and carries every scan
// through the same fixed steps: derive, judge, keep, show.
//
// One goroutine owns each line and asks one question at a time. One further
// goroutine, the carrier, receives every round and is the only one that
// changes alarms, store and snapshot, so none of them needs a lock. Readers
// take the newest snapshot from an atomic pointer.
package collector
