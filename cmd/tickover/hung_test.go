package main

import (
	"context"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/client"
	"tickover/model"
)

// asking are the commands that ask the daemon, by what they are given besides the
// state folder.
func asking(t *testing.T) [][]string {
	return [][]string{{"lines"}, {"runs"}, {"alarms"}, {"outlets"}, {"wiring"}, {"note", "oil changed"}, {"backup", t.TempDir()},
		{"report", "last"}, {"compare", "1", "2"}, {"export"}, {"measure", "oil level", "dipstick above minimum", "12 mm"}, {"check-in"}}
}

// TestCommandsEndWhenTheDaemonHangs has a daemon that lets everybody in and says
// nothing, as one that was stopped by a signal: every command that asks it gives
// up, and says what to do.
func TestCommandsEndWhenTheDaemonHangs(t *testing.T) {
	t.Parallel()
	state := t.TempDir()
	l, err := net.Listen("unix", api.SocketPath(state))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var all sync.WaitGroup
	for _, args := range asking(t) {
		all.Go(func() {
			began := time.Now()
			code, _, stderr := call(t, append(args, "--state", state)...)
			if took := time.Since(began); took > 2*client.Hangs {
				t.Errorf("%s took %s", args[0], took)
			}
			if code != model.RuntimeFault || !strings.Contains(stderr, "does not answer") || !strings.Contains(stderr, "systemctl") {
				t.Errorf("%v: exit code %d\n%s", args, code, stderr)
			}
		})
	}
	all.Wait()
}

// TestAMistypedStateFolderMakesNoStore gives every command but run and demo a
// folder that is not there, and one that is empty.
func TestAMistypedStateFolderMakesNoStore(t *testing.T) {
	for _, make := range []bool{false, true} {
		for _, args := range asking(t) {
			state := filepath.Join(t.TempDir(), "typo")
			if make {
				if err := os.Mkdir(state, 0o700); err != nil {
					t.Fatal(err)
				}
			}
			code, _, stderr := call(t, append(args, "--state", state)...)
			if code == model.NoFault || !strings.Contains(stderr, "--state") {
				t.Errorf("%v: exit code %d\n%s", args, code, stderr)
			}
			if files, err := os.ReadDir(state); len(files) > 0 || err == nil && !make {
				t.Errorf("%v made %v", args, files)
			}
		}
	}
}

// TestHangupStopsAsTerminateDoes ends a daemon whose terminal goes away: it closes
// its store and leaves with 0.
func TestHangupStopsAsTerminateDoes(t *testing.T) {
	dir := t.TempDir()
	config := filepath.Join(dir, "c.yaml")
	text := "set:\n  name: x\nstate dir: " + dir + "\nlisten: 127.0.0.1:0\nlines:\n  - name: bus\n    serial: /dev/not-there\ndevices:\n  - name: a\n    line: bus\n    unit: 7\n    points:\n      - point: a.b\n        quantity: count\n        register: holding 0\n"
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	daemon := exec.CommandContext(ctx, os.Args[0], "run", "--config", config)
	daemon.Env = append(os.Environ(), asCommand+"=1")
	var said strings.Builder
	daemon.Stderr = &said
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "the daemon's socket", func() bool { _, err := os.Stat(api.SocketPath(dir)); return err == nil })
	if err := daemon.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	if err := daemon.Wait(); err != nil {
		t.Errorf("%v\n%s", err, said.String())
	}
	if code, _, stderr := call(t, "verify", "--state", dir); code != model.NoFault {
		t.Errorf("verify: exit code %d\n%s", code, stderr)
	}
}
