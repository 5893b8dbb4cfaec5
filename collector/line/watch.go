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
// two files that speak only when they are asked: a watch and an alarm.

// watch tells when a descriptor has bytes, once for each wait.
type watch struct{ file *os.File }

func newWatch(fd int) (*watch, error) {
	set, err := unix.EpollCreate1(unix.EPOLL_CLOEXEC)
	if err != nil {
		return nil, fmt.Errorf("watch the port: %w", err)
	}
	if err := errors.Join(unix.EpollCtl(set, unix.EPOLL_CTL_ADD, fd, &unix.EpollEvent{Events: unix.EPOLLONESHOT}), unix.SetNonblock(set, true)); err != nil {
		unix.Close(set)
		return nil, fmt.Errorf("watch the port: %w", err)
	}
	return &watch{os.NewFile(uintptr(set), "watch")}, nil
}

// wait returns when fd has bytes or its other end is gone, or after d and 1 ms
// at most.
func (w *watch) wait(fd int, d time.Duration) error {
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
			failed = unix.EpollCtl(int(set), unix.EPOLL_CTL_MOD, fd, &unix.EpollEvent{Events: unix.EPOLLIN | unix.EPOLLONESHOT})
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

func (w *watch) close() error {
	if w == nil {
		return nil
	}
	return w.file.Close()
}

// alarm wakes at a time as exactly as the kernel can, and a little better: it
// has itself woken by so much too early as the kernel was late before, and
// stays awake for what is left.
type alarm struct {
	file *os.File
	lead time.Duration // how much too early it is set
}

// The lead grows when an alarm came too late and shrinks when it came too
// early, so that in the long run two in seven come too late.
const (
	firstLead = 50 * time.Microsecond // it learns from here
	mostLead  = 200 * time.Microsecond
	leadUp    = 5 * time.Microsecond
	leadDown  = 2 * time.Microsecond
)

// newAlarm makes an alarm that falls back to a system call where the kernel
// has no timer files.
func newAlarm() *alarm {
	fd, err := unix.TimerfdCreate(unix.CLOCK_MONOTONIC, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return &alarm{lead: firstLead}
	}
	return &alarm{os.NewFile(uintptr(fd), "timer"), firstLead}
}

// sleep returns after d, never before. What is shorter than the lead is spent
// awake.
func (a *alarm) sleep(d time.Duration) {
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
func (a *alarm) doze(d time.Duration) {
	if a.file != nil && a.set(d) == nil {
		var expired [8]byte
		if _, err := a.file.Read(expired[:]); err == nil {
			return
		}
	}
	ts := unix.NsecToTimespec(int64(d))
	_ = unix.Nanosleep(&ts, nil)
}

func (a *alarm) set(d time.Duration) error {
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

func (a *alarm) close() error {
	if a.file == nil {
		return nil
	}
	return a.file.Close()
}
