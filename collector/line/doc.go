// Package line asks questions on one bus: an RS-485 line, a Modbus TCP
// gateway, or a gateway that passes RTU frames through. One question is on
// the wire at a time; an answer is taken only if unit, function, length and
// checksum (or transaction) fit the question, and never if it could be the
// late answer to an earlier one.
//
// A fault costs the questions that it meets and no others: a question that a free
// unit hears and answers succeeds, whatever went before. A unit is free when it
// has answered all its questions. One that is alone on the line and late by up to
// two seconds is waited for, with the next question to it, because the line has no
// other use meanwhile: lateness then costs time only. Next to other units no
// question takes the line for longer than two timeouts, so that a late unit costs
// its own readings and few of theirs. A unit that takes longer needs a longer
// Timeout in its configuration. A unit that answers anything at all is asked
// everything: a question is put on the wire even when its answer cannot yet be
// distinguished from a late one, and then that answer is dropped. An answer that
// is ten minutes late could be taken for another; so could that of a second unit
// with the same number, or of one that answers out of order.
//
// Only reads can be asked: the one place that builds requests takes its
// function code from a table of 01 to 04 and 2B/0E, and the one place that puts
// bytes on the wire looks again.
//
// A Line may be used by any number of goroutines; questions queue. Health
// never waits for the wire.
package line
