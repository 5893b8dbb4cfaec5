// Package slave is the other end of the wire: Modbus RTU and TCP slaves that
// answer from a Bank, paced like a real line and with faults on cue. The
// demonstration and the tests read from it; nothing else does.
//
// Each Serve function owns its port until it returns and starts no goroutine
// that outlives it, provided the port knows read deadlines (files and
// connections do) or is closed by its owner. Registers and Log may be used
// by any number of goroutines.
package slave
