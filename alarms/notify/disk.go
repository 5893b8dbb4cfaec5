package notify

import (
	"errors"
	"sync"
	"time"
)

// A card that hangs must not hold a message back. What the dispatcher and its queues
// write goes through one disk, in the order in which it was asked for.

const (
	// diskPatience is how long one write is waited for.
	diskPatience = 2 * time.Second
	// diskRoom is how many writes may wait while the card hangs.
	diskRoom = 256
)

// errDisk is returned for a write that is not done yet, or found no room.
var errDisk = errors.New("the card is slow: the message is in memory only and is lost if the " +
	"program is killed")

// disk does writes one after another, in a goroutine that ends when there are
// none. The zero value is ready.
type disk struct {
	mu      sync.Mutex
	waiting []*write
	running bool
	hangs   bool // a write took too long and is not done yet
}

type write struct {
	do   func() error
	done chan error // of one
}

// later queues a write; it never waits.
func (d *disk) later(do func() error) *write {
	w := &write{do, make(chan error, 1)}
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.waiting) >= diskRoom {
		w.done <- errDisk
		return w
	}
	d.waiting = append(d.waiting, w)
	if !d.running {
		d.running = true
		go d.run()
	}
	return w
}

func (d *disk) run() {
	for {
		d.mu.Lock()
		if len(d.waiting) == 0 {
			d.running, d.hangs = false, false
			d.mu.Unlock()
			return
		}
		w := d.waiting[0]
		d.waiting = d.waiting[1:]
		d.mu.Unlock()
		w.done <- w.do()
	}
}

// wait returns a write's outcome, or errDisk after diskPatience, and at once
// while an earlier one hangs.
func (d *disk) wait(w *write) error {
	d.mu.Lock()
	patience := diskPatience
	if d.hangs {
		patience = 0
	}
	d.mu.Unlock()
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case err := <-w.done:
		return err
	case <-timer.C:
		d.mu.Lock()
		d.hangs = d.running
		d.mu.Unlock()
		return errDisk
	}
}

// replace is the function of that name through the disk.
func (d *disk) replace(path string, text []byte) error {
	return d.wait(d.later(func() error { return replace(path, text) }))
}
