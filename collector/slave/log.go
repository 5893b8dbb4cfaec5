package slave

import (
	"fmt"
	"sync"
	"time"
)

// Request is one question as the slave understood it.
type Request struct {
	Number   int // counts the questions on this port, from 0
	Unit     byte
	Function byte
	Address  uint16
	Count    uint16
	Quiet    time.Duration // silence on the wire before it; 0 for the first
}

// Log records what slaves saw. The zero value is ready; a nil *Log records
// nothing.
type Log struct {
	mu         sync.Mutex
	requests   []Request
	violations []string
	early      int
	garbage    int
}

// Requests returns the questions with a good checksum, in order of arrival.
func (l *Log) Requests() []Request {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]Request(nil), l.requests...)
}

// Violations returns, in words, every question that was no read: any function
// code but 01 to 04 and 2B/0E.
func (l *Log) Violations() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]string(nil), l.violations...)
}

// Early counts questions that came before the silent interval was over.
func (l *Log) Early() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.early
}

// Garbage counts runs of bytes that were no frame.
func (l *Log) Garbage() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.garbage
}

func (l *Log) record(r Request, pdu []byte, early bool) {
	if l == nil {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.requests = append(l.requests, r)
	if early {
		l.early++
	}
	if !isRead(pdu) {
		l.violations = append(l.violations, fmt.Sprintf("unit %d was sent function %02X: % X", r.Unit, r.Function, pdu))
	}
}

func (l *Log) recordGarbage() {
	if l == nil {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.garbage++
}
