// Package api declares what the page, the socket, the commands and --json say
// to each other.
package api
