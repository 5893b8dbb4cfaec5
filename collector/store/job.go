package store

import (
	"errors"
	"time"
)

// slow is how long one operation on a file may take. Beyond it the store is
// degraded, and whoever asked for the operation goes on without its outcome.
const slow = 2 * time.Second

// errSlow is returned while an operation on a file is still under way after
// that time.
var errSlow = errors.New("the card has not answered for 2 s (look at the card, its socket and its supply)")

// job is one operation on a file, in a goroutine of its own: a card that hangs
// holds that goroutine and nothing else. A kernel cannot be made to give a call
// back, so a job that hangs is left alone until it ends.
type job struct {
	ended chan struct{}
	err   error // valid once ended
}

// begin starts a job; wake is called when it ended.
func begin(wake func(), fn func() error) *job {
	j := &job{ended: make(chan struct{})}
	go func() {
		j.err = fn()
		close(j.ended)
		wake()
	}()
	return j
}

// within reports whether the job ends within a time.
func (j *job) within(d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-j.ended:
		return true
	case <-timer.C:
		return false
	}
}

// running reports whether the job has not ended yet.
func (j *job) running() bool {
	select {
	case <-j.ended:
		return false
	default:
		return true
	}
}
