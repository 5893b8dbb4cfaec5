package api

import (
	"path/filepath"
)

// SocketPath is where the daemon of a state folder listens.
func SocketPath(state string) string { return filepath.Join(state, "tickover.sock") }
