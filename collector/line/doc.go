// Package line asks questions on one bus: an RS-485 line, a Modbus TCP
// gateway, or a gateway that passes RTU frames through. One question is on
// the wire at a time; an answer is taken only if unit, function, length and
// checksum (or transaction) fit the question, and never if it could be the
// late answer to an earlier one.
//
// No fault costs more than the questions it befalls: a clean one, which a unit
// that is free hears and answers as it should, succeeds whatever went before. A
// unit is free when it has answered all that it was asked. One that is late by
// up to two seconds is waited for, with the next question to it, because nobody
// else can use the wire while an answer may still come; so lateness costs time
// and nothing else. One that is at a question for longer cannot hear others
// meanwhile: those fail, and the first one after that succeeds; a longer
// Timeout is what such a unit needs, for only who knows it can say that it is
// worth the others' wait. A unit that answers anything at all is asked everything:
// a question is put on the wire even when its answer cannot be told from a late
// one yet, and then that answer is dropped. An answer that is ten minutes late could be taken for
// another; so could that of a second unit with the same number, or of one that
// answers out of order.
//
// Only reads can be asked: the one place that builds requests takes its
// function code from a table of 01 to 04 and 2B/0E, and the one place that puts
// bytes on the wire looks again.
//
// A Line may be used by any number of goroutines; questions queue. Health
// never waits for the wire.
package line
