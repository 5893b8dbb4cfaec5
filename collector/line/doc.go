// Package line asks questions on one bus: an RS-485 line, a Modbus TCP
// gateway, or a gateway that passes RTU frames through. One question is on
// the wire at a time; an answer is taken only if unit, function, length and
// checksum (or transaction) fit the question, and never if it could be the
// late answer to an earlier one.
//
// Only reads can be asked: the one place that builds requests takes its
// function code from a table of 01 to 04 and 2B/0E, and the one place that puts
// bytes on the wire looks again.
//
// A Line may be used by any number of goroutines; questions queue. Health
// never waits for the wire.
package line
