package model

import "errors"

// OutletError is why something could not be sent, with what to do about it.
type OutletError struct {
	Err  error
	Hint string
}

func (e *OutletError) Error() string { return e.Err.Error() }

// Unwrap gives the error without its hint.
func (e *OutletError) Unwrap() error { return e.Err }

// HintOf returns the hint that an error carries, "" when it carries none.
func HintOf(err error) string {
	var o *OutletError
	if errors.As(err, &o) {
		return o.Hint
	}
	return ""
}
