package store

import (
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// lockDir locks the folder itself: it holds for all files in it at once, and
// leaves nothing behind.
func lockDir(dir string, shared bool, wait time.Duration) (*os.File, error) {
	d, err := os.Open(dir)
	if err != nil {
		return nil, fmt.Errorf("open store folder: %w", err)
	}
	how := unix.LOCK_EX | unix.LOCK_NB
	if shared {
		how = unix.LOCK_SH | unix.LOCK_NB
	}
	const pause = 50 * time.Millisecond
	for {
		err = unix.Flock(int(d.Fd()), how)
		if err == nil {
			return d, nil
		}
		if !errors.Is(err, unix.EWOULDBLOCK) && !errors.Is(err, unix.EINTR) {
			break
		}
		if wait -= pause; wait < 0 {
			err = ErrLocked
			break
		}
		time.Sleep(pause)
	}
	return nil, errors.Join(err, d.Close())
}
