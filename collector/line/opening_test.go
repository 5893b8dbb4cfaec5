package line

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"tickover/model"
)

// TestOpeningIsCutShort has a gateway that does not answer the connect: the end
// of the context and Close end the opening, at once.
func TestOpeningIsCutShort(t *testing.T) {
	for name, cut := range map[string]func(l *Line, stop context.CancelFunc){
		"context": func(_ *Line, stop context.CancelFunc) { stop() },
		"close":   func(l *Line, _ context.CancelFunc) { l.Close() },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := New(model.Line{Name: "far", Kind: model.TCPLine, Address: "192.0.2.1:502"})
				l.dial = func(ctx context.Context) (exchange, error) { <-ctx.Done(); return nil, ctx.Err() }
				ctx, stop := context.WithCancel(t.Context())
				defer stop()
				began := time.Now()
				time.AfterFunc(200*time.Millisecond, func() { cut(l, stop) })
				wantClosed(t, l.Open(ctx), context.Canceled, "")
				if took := time.Since(began); took != 200*time.Millisecond {
					t.Errorf("the opening ended after %s", took)
				}
			})
		})
	}
}

// TestDiallingHeedsTheContext opens a gateway that is there in a context that
// is over.
func TestDiallingHeedsTheContext(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	ctx, stop := context.WithCancel(t.Context())
	stop()
	for _, kind := range []model.LineKind{model.TCPLine, model.RTUOverTCP} {
		l := New(model.Line{Name: "far", Kind: kind, Address: listener.Addr().String()})
		if err := l.Open(ctx); err == nil || l.Health().Open || errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%s: %v", kind, err)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
}

// fullBacklog is a port that takes no connection any more: its queue is full,
// and the kernel drops what asks to connect. It tells how many ask.
func fullBacklog(t *testing.T) (address string, asking func() int) {
	t.Helper()
	socket := func() int {
		fd, err := unix.Socket(unix.AF_INET, unix.SOCK_STREAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { unix.Close(fd) })
		return fd
	}
	fd := socket()
	if err := errors.Join(unix.Bind(fd, &unix.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}), unix.Listen(fd, 0)); err != nil {
		t.Fatal(err)
	}
	at, err := unix.Getsockname(fd)
	if err != nil {
		t.Fatal(err)
	}
	port := at.(*unix.SockaddrInet4).Port
	asking = func() int {
		table, err := os.ReadFile("/proc/net/tcp")
		if err != nil {
			t.Fatal(err)
		}
		return strings.Count(string(table), fmt.Sprintf("0100007F:%04X 02 ", port)) // 02 is SYN_SENT
	}
	for range 8 {
		client := socket()
		if err := unix.Connect(client, at); err != nil && !errors.Is(err, unix.EINPROGRESS) {
			t.Fatal(err)
		}
		if n, _ := unix.Poll([]unix.PollFd{{Fd: int32(client), Events: unix.POLLOUT}}, 100); n == 0 && asking() > 0 {
			return fmt.Sprintf("127.0.0.1:%d", port), asking
		}
	}
	t.Fatal("the queue never filled")
	return "", nil
}

// TestConnectThatHangs asks a port whose kernel drops the question, as a gateway
// that was switched off does: Close ends the wait, and so does the end of the
// context.
func TestConnectThatHangs(t *testing.T) {
	address, asking := fullBacklog(t)
	for name, cut := range map[string]func(l *Line, stop context.CancelFunc){
		"context": func(_ *Line, stop context.CancelFunc) { stop() },
		"close":   func(l *Line, _ context.CancelFunc) { l.Close() },
	} {
		t.Run(name, func(t *testing.T) {
			l := New(model.Line{Name: "far", Kind: model.TCPLine, Address: address})
			defer l.Close()
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			before, opened := asking(), make(chan error, 1)
			go func() { opened <- l.Open(ctx) }()
			for asking() == before {
				select {
				case err := <-opened:
					t.Fatalf("nothing hung: %v", err)
				case <-time.After(5 * time.Millisecond):
				}
			}
			at := time.Now()
			cut(l, stop)
			err := <-opened
			if took := time.Since(at); took > dialTimeout/2 {
				t.Errorf("the wait ended after %s", took)
			}
			if err == nil || l.Health().Open {
				t.Errorf("error %v, health %+v", err, l.Health())
			}
			t.Log(err)
		})
	}
}
