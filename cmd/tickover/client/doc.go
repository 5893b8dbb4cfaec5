// Package client asks the running daemon through its socket, or opens the files
// itself when no daemon runs. Both ways give the same answers.
package client
