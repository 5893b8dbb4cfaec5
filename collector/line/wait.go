package line

import (
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// A goroutine that waits in a system call holds a processor of the runtime,
// which has a thread look after it every 20 µs for the first milliseconds: up
// to fifty wakes of the real processor for each wait. One that waits in Go's
// poller costs nothing. But the poller is woken by every byte of a file that
// it knows, wanted or not, and its timers are up to 1 ms late. So it is given
// two files that are ready only on request: a pollWaiter and a timer.

// pollWaiter shows when a descriptor has bytes, once for each wait.
type pollWaiter struct{ file *os.File }

func newPollWaiter(fd int) (*pollWaiter, error) {
	set, err := unix.EpollCreate1(unix.EPOLL_CLOEXEC)
	if err != nil {
		return nil, fmt.Errorf("watch the port: %w", err)
	}
	once := &unix.EpollEvent{Events: unix.EPOLLONESHOT}
	err = errors.Join(unix.EpollCtl(set, unix.EPOLL_CTL_ADD, fd, once), unix.SetNonblock(set, true))
	if err != nil {
		unix.Close(set)
		return nil, fmt.Errorf("watch the port: %w", err)
	}
	return &pollWaiter{os.NewFile(uintptr(set), "watch")}, nil
}

// wait returns when fd has bytes or its other end is gone, or after d and 1 ms
// at most.
func (w *pollWaiter) wait(fd int, d time.Duration) error {
	if err := w.file.SetReadDeadline(time.Now().Add(d)); err != nil {
		return err
	}
	conn, err := w.file.SyscallConn()
	if err != nil {
		return err
	}
	armed := false
	var failed error
	err = conn.Read(func(set uintptr) bool {
		if !armed {
			armed = true
			input := &unix.EpollEvent{Events: unix.EPOLLIN | unix.EPOLLONESHOT}
			failed = unix.EpollCtl(int(set), unix.EPOLL_CTL_MOD, fd, input)
		}
		var ready [1]unix.EpollEvent
		n, err := unix.EpollWait(int(set), ready[:], 0)
		return failed != nil || n > 0 || err != nil
	})
	_ = w.file.SetReadDeadline(time.Time{}) // or it wakes us when it is over
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return nil
	}
	return errors.Join(err, failed)
}

func (w *pollWaiter) close() error {
	if w == nil {
		return nil
	}
	return w.file.Close()
}

// timer wakes at a time as exactly as the kernel can, and a little better: it
// has itself woken by so much too early as the kernel was late before, and
// stays awake for what is left.
type timer struct {
	file *os.File
	lead time.Duration // how much too early it is set
}

// The lead grows when a timer came too late and shrinks when it came too
// early, so that in the long run two in seven come too late.
const (
	firstLead = 50 * time.Microsecond // it learns from here
	mostLead  = 200 * time.Microsecond
	leadUp    = 5 * time.Microsecond
	leadDown  = 2 * time.Microsecond
)

// newTimer makes a timer that falls back to a system call where the kernel
// has no timer files.
func newTimer() *timer {
	fd, err := unix.TimerfdCreate(unix.CLOCK_MONOTONIC, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return &timer{lead: firstLead}
	}
	return &timer{os.NewFile(uintptr(fd), "timer"), firstLead}
}

// sleep returns after d, never before. What is shorter than the lead is spent
// awake.
func (a *timer) sleep(d time.Duration) {
	due := time.Now().Add(d)
	for left := d - a.lead; left > 0; left = time.Until(due) - a.lead {
		a.doze(left)
	}
	late := time.Since(due)
	switch {
	case d <= a.lead: // it was not set
	case late > 0:
		a.lead = min(a.lead+leadUp, mostLead)
	default:
		a.lead = max(a.lead-leadDown, 0)
	}
	for time.Now().Before(due) {
	}
}

// doze returns after d, or early, or as late as the kernel happens to be.
func (a *timer) doze(d time.Duration) {
	if a.file != nil && a.set(d) == nil {
		var expired [8]byte
		if _, err := a.file.Read(expired[:]); err == nil {
			return
		}
	}
	ts := unix.NsecToTimespec(int64(d))
	_ = unix.Nanosleep(&ts, nil)
}

func (a *timer) set(d time.Duration) error {
	conn, err := a.file.SyscallConn()
	if err != nil {
		return err
	}
	once := unix.ItimerSpec{Value: unix.NsecToTimespec(int64(d))}
	var failed error
	err = conn.Control(func(fd uintptr) { failed = unix.TimerfdSettime(int(fd), 0, &once, nil) })
	if err != nil {
		return err
	}
	return failed
}

func (a *timer) close() error {
	if a.file == nil {
		return nil
	}
	return a.file.Close()
}
