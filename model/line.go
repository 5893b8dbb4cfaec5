package model

import (
	"fmt"
	"time"
)

// LineKind says how a line is reached. The zero value is SerialLine.
type LineKind uint8

// The kinds of line.
const (
	SerialLine LineKind = iota // RS-485 by a serial port, Modbus RTU
	TCPLine                    // a Modbus TCP gateway or device
	RTUOverTCP                 // a gateway that passes RTU frames through
)

// String names the kind as the configuration does.
func (k LineKind) String() string {
	return word([]string{"serial", "modbus tcp", "rtu over tcp"}, int(k))
}

// Parity of a serial line. The zero value is EvenParity, the serial guide's
// default.
type Parity uint8

// The parities.
const (
	EvenParity Parity = iota
	OddParity
	NoParity
)

// String names the parity as the configuration does.
func (p Parity) String() string { return word([]string{"even", "odd", "none"}, int(p)) }

// Line is one bus: everything on it is asked one question at a time.
type Line struct {
	Name     string
	Kind     LineKind
	Address  string // path of the serial port, or host:port
	Baud     int    // bit/s; 0 means 19200, the serial guide's default
	Parity   Parity
	StopBits int           // 1 or 2; 0 means 1 with parity and 2 without, as the serial guide says
	Timeout  time.Duration // longest wait for the first byte of an answer; 0 means 1 s up to 9600 Bd, 500 ms above
	Silence  time.Duration // least silence before a request; 0 or less than t3.5 means t3.5
	KernelRS485,
	LowLatency bool // ask the driver for direction control, for short buffering
}

// Bits returns the length of one character on the wire in bits, start and
// stop bits included.
func (l Line) Bits() int {
	stop := l.StopBits
	if stop == 0 {
		stop = 1
		if l.Parity == NoParity {
			stop = 2
		}
	}
	if l.Parity == NoParity {
		return 9 + stop
	}
	return 10 + stop
}

// BaudOrDefault returns the bit rate in bit/s.
func (l Line) BaudOrDefault() int {
	if l.Baud == 0 {
		return 19200
	}
	return l.Baud
}

// CharacterTime returns how long one character takes on the wire.
func (l Line) CharacterTime() time.Duration {
	return time.Duration(l.Bits()) * time.Second / time.Duration(l.BaudOrDefault())
}

// FrameGap returns t3.5, the least silence between frames: 3.5 characters of
// 11 bits up to 19200 Bd and 1.75 ms above (Modbus over Serial Line v1.02,
// clause 2.5.1.1), or Silence when that is longer.
func (l Line) FrameGap() time.Duration {
	gap := 1750 * time.Microsecond
	if l.BaudOrDefault() <= 19200 {
		gap = 7 * 11 * time.Second / time.Duration(2*l.BaudOrDefault())
	}
	return max(gap, l.Silence)
}

// ResponseTimeout returns the longest wait for the first byte of an answer.
func (l Line) ResponseTimeout() time.Duration {
	switch {
	case l.Timeout > 0:
		return l.Timeout
	case l.Kind == SerialLine && l.BaudOrDefault() > 9600:
		return 500 * time.Millisecond
	}
	return time.Second
}

// Device is one unit on a line with the points read from it.
type Device struct {
	Name    string
	Line    string
	Unit    uint8         // 1..247
	Every   time.Duration // poll interval; 0 means 1 s
	Timeout time.Duration // 0 means the line's
	MinGap  time.Duration // extra silence this unit needs before a request; 0 means none
	// MaxRegisters is the most registers the unit gives in one read; 0 means 125.
	MaxRegisters int
	Points       []Point
	// PoweredBySet says that the device dies with the set's own voltage: its
	// silence at standstill is no fault.
	PoweredBySet bool
	// Chain is set for a device whose registers must be found first, by walking
	// its chain of models; nil means that they lie where they say.
	Chain *Chain
}

// ReadRequest is one question to one unit. There is no other kind: nothing in
// the program can ask a unit to change anything.
type ReadRequest struct {
	Unit    uint8
	Table   Table
	Address uint16 // zero-based
	Count   uint16 // registers or bits
	Timeout time.Duration
	MinGap  time.Duration
	Once    bool // not asked again when it fails
}

// String writes the question as people say it.
func (r ReadRequest) String() string {
	return fmt.Sprintf("unit %d, %s %d..%d", r.Unit, r.Table, r.Address, int(r.Address)+int(r.Count)-1)
}

// Answer is what a unit said.
type Answer struct {
	Words []uint16      // one for each register, or one (0 or 1) for each bit
	Took  time.Duration // from the end of the request to the last byte of the answer
}

// ReadError says why a question has no answer.
type ReadError struct {
	Cause     Cause  // LineClosed, NoAnswer, CorruptAnswer, ForeignAnswer or DeviceException
	Exception byte   // the unit's exception code when Cause is DeviceException
	Request   string // the question, in words
	Detail    string // what was seen instead
	Hint      string // what to do about it
	Err       error  // what the system said; may be nil
}

func (e *ReadError) Error() string {
	s := e.Request + ": " + e.Cause.String()
	if e.Detail != "" {
		s += ": " + e.Detail
	}
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	return s
}

// Unwrap gives what the system said.
func (e *ReadError) Unwrap() error { return e.Err }
