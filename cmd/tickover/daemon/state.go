package daemon

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"tickover/cmd/tickover/api"
)

// A state folder that cannot be used must not end the watch: what needs it is
// done without, said, and tried again where that helps.

// goOn logs what the daemon has to do without.
func (d *Daemon) goOn(without string, err error) {
	if err != nil {
		d.log.Error(without+"; monitoring continues", "err", err, "hint", StateHint(err))
	}
}

// takeToken returns a token of the state folder. Without one it makes up a
// token that is not known to anyone, so that the page stays closed.
func (d *Daemon) takeToken(name string) string {
	t, err := Token(d.Cfg.StateDir, name)
	if err == nil {
		return t
	}
	d.goOn("the "+name+" cannot be read: signing in is impossible until tickover is restarted", err)
	return rand.Text()
}

// longestSocket is how long the path of a socket may be: struct sockaddr_un has
// 108 bytes with the one that ends it (unix(7)).
const longestSocket = 107

var errLongSocket = errors.New("the state folder's path is too long for a socket in it")

// ListenLocal opens the local socket.
func ListenLocal(state string) (*net.UnixListener, error) {
	path := api.SocketPath(state)
	if len(path) > longestSocket {
		return nil, fmt.Errorf("open the local socket %s: %w", path, errLongSocket)
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("clear the local socket: %w", err)
	}
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		return nil, fmt.Errorf("open the local socket: %w", err)
	}
	// The state folder keeps strangers out; its group may ask and write.
	if err := os.Chmod(path, 0o660); err != nil {
		return nil, errors.Join(fmt.Errorf("open the local socket to its group: %w", err), l.Close())
	}
	return l, nil
}

// socketEvery is how often the local socket is looked for.
const socketEvery = 5 * time.Second

// openSocketLater opens the local socket when it could not be opened at the
// start, and again when it vanished, until the context ends.
func (d *Daemon) openSocketLater(ctx context.Context) {
	ticker := time.NewTicker(socketEvery)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		if d.Cfg.Listen == "" || len(api.SocketPath(d.Cfg.StateDir)) > longestSocket {
			return
		}
		d.lookForSocket(ctx)
	}
}

func (d *Daemon) lookForSocket(ctx context.Context) {
	if _, err := os.Lstat(api.SocketPath(d.Cfg.StateDir)); err == nil && d.socket != nil {
		return
	}
	l, err := ListenLocal(d.Cfg.StateDir)
	if err != nil {
		return // the store says what is wrong with the folder
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if ctx.Err() != nil {
		l.Close()
		return
	}
	d.socket = l
	d.log.Info("commands can reach this daemon again", "socket", filepath.Base(api.SocketPath(d.Cfg.StateDir)))
	go d.serveSocket()
}

// StateHint is what to do about a state folder that cannot be used.
func StateHint(err error) string {
	for _, h := range []struct {
		is   error
		hint string
	}{
		{errLongSocket, fmt.Sprintf("choose a state folder whose path has at most %d bytes", longestSocket-len("/tickover.sock"))},
		{unix.EACCES, "give the folder and all files in it to the user that runs tickover"},
		{unix.EPERM, "give the folder and all files in it to the user that runs tickover"},
		{unix.EROFS, "the file system is read-only: check the card and its mount options"},
		{unix.ENOSPC, "the disk is full: make room"},
		{unix.EDQUOT, "the user's disk quota is full: make room"},
		{unix.EIO, "the card cannot be read or written: copy what is on it and replace it"},
		{unix.ENOMEM, "too little address space: raise the limit on it (LimitAS) or end other programs"},
		{unix.EMFILE, "too few descriptors: raise the limit on them (LimitNOFILE)"},
		{unix.ENFILE, "the computer has too few descriptors: end other programs"},
		{unix.ENOTDIR, "a file is in the state folder's place: move it away"},
		{unix.EISDIR, "a folder is in the place of one of the files: move it away"},
		{unix.ENOENT, "create the folder, or mount its file system"},
	} {
		if errors.Is(err, h.is) {
			return h.hint
		}
	}
	return "check the folder and its card; the page shows the fault too"
}
