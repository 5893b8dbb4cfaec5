package line

import (
	"context"
	"errors"
	"net"
	"os"
	"time"

	"tickover/model"
)

const (
	dialTimeout  = 3 * time.Second
	writeTimeout = time.Second
)

func dial(ctx context.Context, def model.Line) (net.Conn, error) {
	d := net.Dialer{Timeout: dialTimeout}
	return d.DialContext(ctx, "tcp", def.Address)
}

// netPort is a port over a connection.
type netPort struct{ net.Conn }

func (p netPort) read(b []byte, wait time.Duration) (int, error) {
	// A deadline that is over hides bytes that are there.
	if err := p.SetReadDeadline(time.Now().Add(max(wait, 100*time.Microsecond))); err != nil {
		return 0, err
	}
	n, err := p.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = nil
	}
	return n, err
}

func (p netPort) write(b []byte) error {
	if err := p.SetWriteDeadline(time.Now().Add(writeTimeout)); err != nil {
		return err
	}
	_, err := p.Write(b)
	return err
}

func (p netPort) close() error { return p.Close() }

func (p netPort) paced() bool { return false }

func (p netPort) pause(d time.Duration) { time.Sleep(d) }
