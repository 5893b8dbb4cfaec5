package line

import (
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

// tune asks the driver for what def wants of it. A driver that knows nothing
// of it (ENOTTY, EINVAL, ENOSYS) goes on as it is: RS-485 adapters that switch
// direction by themselves are the rule.
func tune(fd int, def model.Line) {
	// Get before set: drivers preset the polarity of RTS.
	if def.KernelRS485 {
		var rs485 [8]uint32
		if ioctl(fd, unix.TIOCGRS485, unsafe.Pointer(&rs485)) {
			rs485[0] |= rs485Enabled
			ioctl(fd, unix.TIOCSRS485, unsafe.Pointer(&rs485))
		}
	}
	if def.LowLatency {
		var settings [32]uint32 // serial_struct takes 72 bytes or fewer
		if ioctl(fd, unix.TIOCGSERIAL, unsafe.Pointer(&settings)) {
			settings[flagsField] |= lowLatencyFlag
			ioctl(fd, unix.TIOCSSERIAL, unsafe.Pointer(&settings))
		}
	}
}

func ioctl(fd int, request uint, p unsafe.Pointer) bool {
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), uintptr(request), uintptr(p))
	return errno == 0
}
