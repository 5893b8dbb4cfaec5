package model

import "errors"

// FaultCode is the exit code of a command. The systemd unit does not restart the
// daemon after UsageFault, ConfigFault and StoreFault.
type FaultCode int

// The exit codes.
const (
	NoFault      FaultCode = iota // done
	RuntimeFault                  // something failed while it ran
	UsageFault                    // the command line or a request is wrong
	ConfigFault                   // the configuration is wrong
	LineFault                     // a line cannot be opened
	StoreFault                    // the store is locked, damaged or of a newer version
)

// Fault is an error for people: what is wrong and where (Err), and what to do
// (Hint). Every room uses it; the command line, the page and the API show both.
type Fault struct {
	Code FaultCode // NoFault counts as RuntimeFault
	Err  error     // never nil
	Hint string    // "" when there is nothing to advise
}

// Error says what is wrong, without the hint.
func (f *Fault) Error() string { return f.Err.Error() }

// Unwrap returns the cause.
func (f *Fault) Unwrap() error { return f.Err }

// HintOf returns the hint that an error carries, "" when it carries none.
func HintOf(err error) string {
	if f, ok := errors.AsType[*Fault](err); ok {
		return f.Hint
	}
	if r, ok := errors.AsType[*ReadError](err); ok {
		return r.Hint
	}
	return ""
}
