package slave

import (
	"fmt"
	"os"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"
)

// OpenPTY makes a pseudo-terminal in raw mode. A line opens path; ServeRTU
// serves master. Closing master is to the line what pulling the adapter is.
func OpenPTY() (master *os.File, path string, err error) {
	master, tty, err := pty.Open()
	if err != nil {
		return nil, "", fmt.Errorf("open pseudo-terminal: %w", err)
	}
	defer tty.Close()
	if _, err := term.MakeRaw(int(tty.Fd())); err != nil {
		master.Close()
		return nil, "", fmt.Errorf("set pseudo-terminal raw: %w", err)
	}
	master, err = pollable(master)
	return master, tty.Name(), err
}

// pollable gives the file afresh in non-blocking mode: the pty package leaves
// it blocking, and then neither Close nor a deadline ends a read.
func pollable(f *os.File) (*os.File, error) {
	defer f.Close()
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("duplicate pseudo-terminal: %w", err)
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		unix.Close(fd)
		return nil, fmt.Errorf("set pseudo-terminal non-blocking: %w", err)
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}
