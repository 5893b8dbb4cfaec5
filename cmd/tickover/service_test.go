package main

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/cmd/tickover/daemon"
	"tickover/model"
)

func TestTheWatchdogIsFedWhileThereIsProgress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		var fed []time.Duration
		var said strings.Builder
		alive := func(context.Context) error {
			if at := time.Since(start); at >= 45*time.Second && at < 65*time.Second {
				return errors.New("polling of line skid hangs")
			}
			return nil
		}
		ctx, stop := context.WithTimeout(context.Background(), 85*time.Second)
		defer stop()
		daemon.Pulse(ctx, 10*time.Second, alive, func(string) { fed = append(fed, time.Since(start)) }, slog.New(slog.NewTextHandler(&said, nil)))
		want := []time.Duration{0, 10, 20, 30, 40, 70, 80}
		for i := range want {
			want[i] *= time.Second
		}
		if !slices.Equal(fed, want) {
			t.Errorf("fed at %v, want %v", fed, want)
		}
		if strings.Count(said.String(), "line skid hangs") != 1 || strings.Count(said.String(), "responds again") != 1 {
			t.Errorf("the log says\n%s", &said)
		}
	})
}

// The daemon speaks the service manager's protocol: ready with its first word,
// fed watchdog, stopping.
func TestTheServiceManagerIsTold(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "300000")
	t.Setenv("WATCHDOG_PID", "")
	heard := make(chan []string)
	go func() { heard <- listen(l) }()
	if code, _, said := call(t, "run", "--config", guided(t), "--state", t.TempDir(), "--listen", freeAddress(t), "--for", "1s"); code != model.NoFault {
		t.Errorf("exit code %d\n%s", code, said)
	}
	l.SetReadDeadline(time.Now().Add(5 * time.Second))
	told := <-heard
	for _, word := range []string{"READY=1", "WATCHDOG=1", "STOPPING=1"} {
		if !slices.Contains(told, word) {
			t.Errorf("no %s among %q", word, told)
		}
	}
}

// listen hears what the service manager is told, to the word that it stops.
func listen(l *net.UnixConn) (told []string) {
	for !slices.Contains(told, "STOPPING=1") {
		b := make([]byte, 4096)
		n, err := l.Read(b)
		if err != nil {
			break
		}
		told = append(told, strings.Split(string(b[:n]), "\n")...)
	}
	return told
}
