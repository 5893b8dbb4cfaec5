package line

import (
	"errors"
	"fmt"
	"net"
	"os/user"
	"strconv"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"

	"tickover/model"
)

// closedError says that the line is not there, and what to do about it.
func (l *Line) closedError(request string, err error) error {
	return &model.ReadError{Cause: model.LineClosed, Request: request, Err: err, Hint: hint(l.def, err)}
}

func hint(def model.Line, err error) string {
	if def.Kind != model.SerialLine {
		return networkHint(def, err)
	}
	var port *serial.PortError
	if errors.As(err, &port) {
		if text := portHint(def, port.Code()); text != "" {
			return text
		}
	}
	switch {
	case errors.Is(err, errClosed):
		return "the program is stopping"
	case errors.Is(err, unix.ENOENT), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV):
		return fmt.Sprintf("no adapter is at %s: plug it in, or find its stable name in /dev/serial/by-id", def.Address)
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
		return permissionHint(def.Address)
	case errors.Is(err, errBusy), errors.Is(err, unix.EBUSY):
		return fmt.Sprintf("another program has it: find it with: fuser -v %s", def.Address)
	case errors.Is(err, errNotTTY):
		return "give the path of a serial port, such as one in /dev/serial/by-id"
	case (errors.Is(err, errParity) || errors.Is(err, errStopBits)) && def.Parity != model.NoParity && def.StopBits == 2:
		return "some drivers refuse parity with two stop bits, and the rule is one or the other: set one stop bit, or parity none, at both ends; a unit that is fixed to both needs another adapter"
	case errors.Is(err, errParity), errors.Is(err, errStopBits):
		return "this port's hardware can't do it (a Pi's mini-UART has neither parity nor a second stop bit): use a USB adapter or the full UART, or set parity none and one stop bit at both ends (survey: --parities none --stop-bits 1)"
	case errors.Is(err, errBaud):
		return "choose a rate that both the adapter and the units have, such as 9600 or 19200"
	}
	return "the adapter was pulled or lost power; the line opens again by itself when it is back"
}

func portHint(def model.Line, code serial.PortErrorCode) string {
	switch code {
	case serial.PortBusy:
		return hint(def, errBusy)
	case serial.PermissionDenied:
		return permissionHint(def.Address)
	case serial.InvalidSpeed:
		return hint(def, errBaud)
	case serial.InvalidParity, serial.InvalidStopBits:
		return hint(def, errParity)
	}
	return ""
}

// permissionHint names the group that may use the port: the file's own when
// it is known, else dialout, Debian's group for serial ports.
func permissionHint(path string) string {
	group := "dialout"
	var st unix.Stat_t
	if err := unix.Stat(path, &st); err == nil && st.Gid != 0 && st.Mode&unix.S_IWGRP != 0 {
		if g, err := user.LookupGroupId(strconv.Itoa(int(st.Gid))); err == nil {
			group = g.Name
		}
	}
	return fmt.Sprintf("the user needs group %[1]s: sudo usermod -a -G %[1]s USER, then log in again; "+
		"for the service set SupplementaryGroups=%[1]s", group)
}

func networkHint(def model.Line, err error) string {
	var name *net.DNSError
	switch {
	case errors.Is(err, errClosed):
		return "the program is stopping"
	case errors.As(err, &name):
		return "the host name is not known: check it, or give the address in numbers"
	case errors.Is(err, unix.ECONNREFUSED):
		return fmt.Sprintf("nothing listens at %s: check the port number (502 is usual) and the gateway's mode", def.Address)
	case errors.Is(err, errStream):
		return "the gateway may pass RTU frames through: try the kind rtu over tcp"
	}
	return fmt.Sprintf("check that %s can be reached from here", def.Address)
}
