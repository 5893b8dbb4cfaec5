package model

// The exit codes.
const (
	NoFault      = 0
	RuntimeFault = 1
	UsageFault   = 2
	ConfigFault  = 3
	LineFault    = 4
	StoreFault   = 5
)

// Fault is an error for people: what happened, and what to do.
type Fault struct {
	Code int
	Err  error
	Hint string
}

func (f *Fault) Error() string { return f.Err.Error() }

func (f *Fault) Unwrap() error { return f.Err }
