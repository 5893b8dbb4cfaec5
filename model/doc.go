// Package model holds the words of the trade that every other room speaks:
// quantity, point, register, sample, scan, snapshot, instant, rating, alarm,
// event, run and figure. It imports the standard library only and does no
// input or output; it owns no clock, goroutine or file.
//
// Values are in the canonical unit of their Quantity everywhere inside the
// program. Conversion happens twice: once when a register or a configuration
// text is decoded, once when a value is shown.
//
// Values of these types may be read by several goroutines at once; none may
// be changed after it was handed on, save where a comment says otherwise.
package model
