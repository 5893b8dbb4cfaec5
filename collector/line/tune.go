package line

import (
	"errors"
	"fmt"
	"unsafe"

	"golang.org/x/sys/unix"

	"tickover/model"
)

// Layouts from the kernel's include/uapi/linux/serial.h and tty_flags.h.
const (
	rs485Enabled   = 1 << 0  // SER_RS485_ENABLED
	lowLatencyFlag = 1 << 13 // ASYNC_LOW_LATENCY
	flagsField     = 4       // serial_struct: type, line, port, irq, flags
)

// control is one ioctl on an open port; tests put a driver in its place.
type control func(request uint, p unsafe.Pointer) error

func controlOf(fd int) control {
	return func(request uint, p unsafe.Pointer) error {
		if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), uintptr(request), uintptr(p)); errno != 0 {
			return errno
		}
		return nil
	}
}

var errDropped = errors.New("the driver takes the setting and drops it")

// tune asks the driver for what def wants of it, and says in words what it
// does not do. The line goes on as it is: RS-485 adapters that switch direction
// by themselves are the rule.
func tune(do control, def model.Line) (lacks []string) {
	if def.KernelRS485 {
		if err := enableRS485(do); err != nil {
			lacks = append(lacks, lacking("direction by driver", err))
		}
	}
	if def.LowLatency {
		if err := lowLatency(do); err != nil {
			lacks = append(lacks, lacking("low latency", err))
		}
	}
	return lacks
}

// lacking separates a driver without such a setting from one that failed.
func lacking(what string, err error) string {
	for _, none := range []unix.Errno{unix.ENOTTY, unix.ENOSYS, unix.EINVAL, unix.EOPNOTSUPP} {
		if errors.Is(err, none) {
			return fmt.Sprintf("%s: this port's driver has no such setting; the line goes on without", what)
		}
	}
	return fmt.Sprintf("%s: %v; the line goes on without", what, err)
}

// enableRS485 gets before it sets, for drivers preset the polarity of RTS.
func enableRS485(do control) error {
	var settings [8]uint32 // serial_rs485: flags, two delays, padding
	if err := do(unix.TIOCGRS485, unsafe.Pointer(&settings)); err != nil {
		return err
	}
	settings[0] |= rs485Enabled
	if err := do(unix.TIOCSRS485, unsafe.Pointer(&settings)); err != nil {
		return err
	}
	if settings[0]&rs485Enabled == 0 { // the kernel writes back what it took
		return errDropped
	}
	return nil
}

func lowLatency(do control) error {
	var settings [32]uint32 // serial_struct takes 72 bytes or fewer
	if err := do(unix.TIOCGSERIAL, unsafe.Pointer(&settings)); err != nil {
		return err
	}
	settings[flagsField] |= lowLatencyFlag
	if err := do(unix.TIOCSSERIAL, unsafe.Pointer(&settings)); err != nil {
		return err
	}
	var kept [32]uint32
	if err := do(unix.TIOCGSERIAL, unsafe.Pointer(&kept)); err == nil && kept[flagsField]&lowLatencyFlag == 0 {
		return errDropped
	}
	return nil
}
