//go:build terminal

package main

import (
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"

	"tickover/model"
	"tickover/model/plant"
)

// screen is a command on a terminal of its own.
type screen struct {
	t    *testing.T
	tty  *os.File
	cmd  *exec.Cmd
	lock sync.Mutex
	text strings.Builder
	read chan struct{} // closed when nothing more comes
}

func onTerminal(t *testing.T, args ...string) *screen {
	t.Helper()
	s := &screen{t: t, cmd: exec.Command(os.Args[0], args...), read: make(chan struct{})}
	s.cmd.Env = append(os.Environ(), asCommand+"=1")
	var err error
	if s.tty, err = pty.Start(s.cmd); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(s.read)
		io.Copy(s, s.tty) // ends with the command, by an error on a terminal
	}()
	t.Cleanup(func() { s.cmd.Process.Kill(); s.tty.Close() })
	return s
}

// Write takes what the command prints.
func (s *screen) Write(b []byte) (int, error) {
	s.lock.Lock()
	defer s.lock.Unlock()
	return s.text.Write(b)
}

func (s *screen) shows() string {
	s.lock.Lock()
	defer s.lock.Unlock()
	return s.text.String()
}

// await waits for words on the screen.
func (s *screen) await(words string) {
	s.t.Helper()
	defer func() {
		if s.t.Failed() {
			s.t.Logf("the screen:\n%s", s.shows())
		}
	}()
	waitFor(s.t, fmt.Sprintf("%q on the screen", words), func() bool { return strings.Contains(s.shows(), words) })
}

// end waits for the end of the command and gives its exit code.
func (s *screen) end() model.FaultCode {
	s.t.Helper()
	s.cmd.Wait()
	<-s.read
	return model.FaultCode(s.cmd.ProcessState.ExitCode())
}

// A walk on a terminal as somebody does it at night: the set not running yet,
// a phase taken twice, a new start in the wrong order, to the end; and another
// that is broken off.
func TestWalkOnATerminal(t *testing.T) {
	t.Parallel()
	state := t.TempDir()
	h, _ := liveSet(t, state)
	walk := onTerminal(t, "wiring", "walk", "--state", state, "--heater", "2 kW")
	walk.await("start the set, switch every load off and wait half a minute")
	h.do(turnedOver)
	switched := func(phase int, words string) {
		h.do(func(p *plant.Plant) { p.Load(phase, plant.WalkHeater, 1) })
		walk.await(words)
		h.do(func(p *plant.Plant) { p.Load(phase, 0, 1) })
		time.Sleep(6 * time.Second) // the heater must be seen off
	}
	walk.await("0 of 3 outlets done; next is L1")
	switched(0, "1 of 3 outlets done; next is L2")
	switched(0, "switchings 1 and 2 changed the same current input")
	switched(1, "started again: 1 of 3 outlets done; next is L2")
	switched(0, "started again: 2 of 3 outlets done; next is L3")
	switched(2, "the outlets labelled L1 and L2 are exchanged, or the walk took them in another order")
	if code := walk.end(); code != model.NoFault {
		t.Errorf("the walk ended with %d", code)
	}
	inOrder(t, walk.shows(), "L2   ------------> outlet labelled L1   <== wrong", "FINDING", "C13", "PASS", "C14")

	again := onTerminal(t, "wiring", "walk", "--state", state)
	again.await("next") // not the walk before
	if _, err := again.tty.Write([]byte{3}); err != nil {
		t.Fatal(err)
	}
	if code := again.end(); code != model.RuntimeFault || !strings.Contains(again.shows(), "the walk was interrupted") || strings.Contains(again.shows(), "<== wrong") {
		t.Errorf("Ctrl-C ended with %d:\n%s", code, again.shows())
	}
}
