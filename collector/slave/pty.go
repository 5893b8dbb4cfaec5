package slave

import (
	"fmt"
	"os"

	"github.com/creack/pty"
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
	return master, tty.Name(), nil
}
