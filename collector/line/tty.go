package line

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"syscall"
	"time"
	"unsafe"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"

	"tickover/model"
)

var (
	errBusy     = errors.New("the port is in use by another program")
	errNotTTY   = errors.New("this is not a serial port")
	errStalled  = errors.New("the port takes no bytes")
	errUnplug   = errors.New("the adapter is gone")
	errParity   = errors.New("the driver did not keep the parity")
	errStopBits = errors.New("the driver did not keep the stop bits")
	errBaud     = errors.New("the driver did not keep the baud rate")
)

// tty is a serial port. It holds a descriptor of its own next to the
// library's: to lock the port before anything on it is changed, to read
// settings back, to see whether a write would block, and to read by: the
// library waits in select, which panics from descriptor 1024 on.
type tty struct {
	own    int
	port   serial.Port
	waiter *pollWaiter
	timer  *timer
	real   bool     // no pseudo-terminal
	lacks  []string // what the driver was asked for and does not do
	closed bool     // the library writes to a closed number, which may be another file's by then
}

// driver is what stands behind a port.
type driver struct {
	do     control
	pseudo bool // a pseudo-terminal, which takes every setting and keeps few
}

func driverOf(fd int) driver { return driver{controlOf(fd), pseudo(fd)} }

// openTTY opens and sets up the port of def for this program alone.
func openTTY(def model.Line, behind func(fd int) driver) (*tty, error) {
	own, err := openOwn(def.Address)
	if err != nil {
		return nil, err
	}
	p, err := openShared(def)
	if err != nil {
		unix.Close(own)
		return nil, err
	}
	d := behind(own)
	t := &tty{own: own, port: p, timer: newTimer(), real: !d.pseudo}
	t.waiter, err = newPollWaiter(own)
	if err == nil {
		err = kept(d, def)
	}
	if err != nil {
		_ = t.close() // err says more
		return nil, err
	}
	t.lacks = tune(d.do, def)
	return t, nil
}

// openOwn opens the path and makes sure that no other program has it: by the
// terminal's exclusive flag, which the kernel does not hold against root, and
// by a file lock, which it does.
func openOwn(path string) (fd int, err error) {
	fd, err = unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if errors.Is(err, unix.EBUSY) { // the exclusive flag stops everybody but root here
		return -1, fmt.Errorf("%s: %w", path, errBusy)
	}
	if err != nil {
		return -1, &os.PathError{Op: "open", Path: path, Err: err}
	}
	defer func() {
		if err != nil {
			unix.Close(fd)
		}
	}()
	if _, err := unix.IoctlGetTermios(fd, unix.TCGETS); err != nil {
		return -1, fmt.Errorf("%s: %w", path, errNotTTY)
	}
	if exclusive, err := unix.IoctlGetInt(fd, unix.TIOCGEXCL); err == nil && exclusive != 0 {
		return -1, fmt.Errorf("%s: %w", path, errBusy)
	}
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return -1, fmt.Errorf("%s: %w", path, errBusy)
	}
	return fd, nil
}

// openShared opens the port by the library. Its descriptors would be
// inherited by child processes: none may be started until they are marked.
func openShared(def model.Line) (serial.Port, error) {
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	before := inheritable()
	p, err := serial.Open(def.Address, mode(def))
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", def.Address, err)
	}
	for fd := range inheritable() {
		if !before[fd] {
			unix.CloseOnExec(fd)
		}
	}
	return p, nil
}

// inheritable lists the descriptors that a child process would get.
func inheritable() map[int]bool {
	open := map[int]bool{}
	entries, _ := os.ReadDir("/proc/self/fd") // without /proc nothing is marked, as before
	for _, e := range entries {
		fd, _ := strconv.Atoi(e.Name())
		if flags, err := unix.FcntlInt(uintptr(fd), unix.F_GETFD, 0); err == nil && flags&unix.FD_CLOEXEC == 0 {
			open[fd] = true
		}
	}
	return open
}

func mode(def model.Line) *serial.Mode {
	m := &serial.Mode{BaudRate: def.BaudOrDefault(), DataBits: 8, StopBits: serial.OneStopBit}
	m.Parity = map[model.Parity]serial.Parity{model.EvenParity: serial.EvenParity, model.OddParity: serial.OddParity}[def.Parity]
	if twoStopBits(def) {
		m.StopBits = serial.TwoStopBits
	}
	return m
}

func twoStopBits(def model.Line) bool {
	return def.StopBits == 2 || def.StopBits == 0 && def.Parity == model.NoParity
}

// kept reads the settings back: drivers drop what the hardware can't do
// without a word. So do pseudo-terminals, where nothing depends on it.
func kept(d driver, def model.Line) error {
	if d.pseudo {
		return nil
	}
	var t unix.Termios
	if err := d.do(unix.TCGETS2, unsafe.Pointer(&t)); err != nil {
		return nil // an old kernel or an emulator: nothing to compare with
	}
	return compare(&t, def)
}

// pseudo reports whether fd is a pseudo-terminal (Unix98 majors, the kernel's
// admin-guide/devices.txt).
func pseudo(fd int) bool {
	var st unix.Stat_t
	if err := unix.Fstat(fd, &st); err != nil {
		return false
	}
	major := unix.Major(uint64(st.Rdev))
	return major >= 136 && major <= 143
}

// compare checks what the driver says it does against what was asked. Rates
// are rounded to the hardware's clock; 2 % is as far as receivers follow.
func compare(t *unix.Termios, def model.Line) error {
	wanted := uint32(0)
	switch def.Parity {
	case model.EvenParity:
		wanted = unix.PARENB
	case model.OddParity:
		wanted = unix.PARENB | unix.PARODD
	}
	baud := def.BaudOrDefault()
	switch off := (int(t.Ospeed) - baud) * 100; {
	case t.Cflag&(unix.PARENB|unix.PARODD) != wanted:
		return errParity
	case t.Cflag&unix.CSTOPB != 0 != twoStopBits(def):
		return errStopBits
	case off > 2*baud || off < -2*baud:
		return fmt.Errorf("%w: asked for %d, got %d Bd", errBaud, baud, t.Ospeed)
	}
	return nil
}

func (t *tty) read(b []byte, wait time.Duration) (int, error) {
	if t.closed {
		return 0, errClosed
	}
	if wait > 0 {
		if err := t.waiter.wait(t.own, wait); err != nil {
			return 0, err
		}
	}
	n, err := unix.Read(t.own, b)
	switch {
	case errors.Is(err, unix.EAGAIN), errors.Is(err, unix.EINTR):
		return 0, nil
	case err == nil && n == 0, errors.Is(err, unix.EIO): // so reads a port that was pulled
		return 0, errUnplug
	}
	return max(n, 0), err
}

// write hands over the request. The library's write blocks for good when the
// driver stalls, so room is waited for first.
func (t *tty) write(b []byte) error {
	if t.closed {
		return errClosed
	}
	fds := []unix.PollFd{{Fd: int32(t.own), Events: unix.POLLOUT}}
	n, err := unix.Poll(fds, int(writeTimeout.Milliseconds()))
	switch {
	case errors.Is(err, unix.EINTR): // taken as room: requests are short
	case err != nil:
		return err
	case n == 0:
		return errStalled
	case fds[0].Revents&(unix.POLLERR|unix.POLLHUP) != 0:
		return errUnplug
	}
	n, err = t.port.Write(b)
	if err == nil && n < len(b) {
		err = errStalled
	}
	return err
}

func (t *tty) close() error {
	if t.closed {
		return nil
	}
	t.closed = true
	return errors.Join(t.port.Close(), t.waiter.close(), t.timer.close(), unix.Close(t.own))
}

func (t *tty) paced() bool { return t.real }

func (t *tty) pause(d time.Duration) { t.timer.sleep(d) }
