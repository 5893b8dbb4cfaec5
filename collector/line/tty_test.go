package line

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"

	"tickover/collector/slave"
	"tickover/model"
)

// plugIn serves a bank on a new pseudo-terminal at link, until pull.
func plugIn(t *testing.T, link string, pace slave.Pace, faults slave.Faults) (pull func()) {
	t.Helper()
	master, path, err := slave.OpenPTY()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- slave.ServeRTU(context.Background(), master, numbers(), pace, faults) }()
	pulled := false
	pull = func() {
		if pulled {
			return
		}
		pulled = true
		os.Remove(link)
		master.Close()
		if err := <-done; err != nil {
			t.Errorf("slave: %v", err)
		}
	}
	t.Cleanup(pull)
	return pull
}

func newTTY(t *testing.T, pace slave.Pace, faults slave.Faults) (l *Line, link string, pull func()) {
	t.Helper()
	link = filepath.Join(t.TempDir(), "bus")
	pull = plugIn(t, link, pace, faults)
	l = New(model.Line{Name: "bus", Address: link, Baud: 19200})
	t.Cleanup(func() { l.Close() })
	return l, link, pull
}

// ask reads two registers of unit 2 and looks at them.
func ask(t *testing.T, l *Line, address uint16) error {
	t.Helper()
	a, err := l.Read(context.Background(), model.ReadRequest{Unit: 2, Address: address, Count: 2})
	if err == nil && (a.Words[0] != number(2, address) || a.Words[1] != number(2, address+1)) {
		t.Fatalf("registers %d: got %v", address, a.Words)
	}
	return err
}

func TestTerminalIsRead(t *testing.T) {
	log := &slave.Log{}
	l, _, _ := newTTY(t, slave.Pace{Baud: 19200, Turnaround: 2 * time.Millisecond, Strict: true}, slave.Faults{Log: log})
	for i := range uint16(20) {
		if err := ask(t, l, i); err != nil {
			t.Fatal(err)
		}
	}
	if h := l.Health(); !h.Open || h.Messages != 20 || h.Retries != 0 || h.Busy <= 0 {
		t.Errorf("health %+v", h)
	}
	if log.Early() != 0 {
		t.Errorf("%d of 20 questions came before t3.5 was over", log.Early())
	}
}

// TestUnplug pulls the adapter while an answer is waited for, and plugs it in
// again under the same name.
func TestUnplug(t *testing.T) {
	asked := make(chan bool, 1)
	lose := func(slave.Request) slave.Fault { asked <- true; return slave.Fault{Kind: slave.Lost} }
	l, link, pull := newTTY(t, slave.Pace{}, slave.Faults{Next: lose})
	result := make(chan error, 1)
	go func() {
		_, err := l.Read(context.Background(), model.ReadRequest{Unit: 2, Count: 2, Timeout: time.Minute})
		result <- err
	}()
	<-asked
	pull()
	var read *model.ReadError
	if err := <-result; !errors.As(err, &read) || read.Cause != model.LineClosed || !errors.Is(err, errUnplug) {
		t.Fatalf("pulled: got %v", err)
	}
	if h := l.Health(); h.Open || h.Trouble == "" {
		t.Errorf("pulled: health %+v", h)
	}
	if err := l.Open(t.Context()); !errors.Is(err, unix.ENOENT) {
		t.Errorf("open without an adapter: got %v", err)
	}
	plugIn(t, link, slave.Pace{}, slave.Faults{})
	var err error
	for range 100 { // 2 s of backoff at most, and the question itself
		if err = ask(t, l, 7); err == nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if err != nil {
		t.Fatalf("plugged in again: %v", err)
	}
	if h := l.Health(); !h.Open || h.Reopened != 1 {
		t.Errorf("plugged in again: health %+v", h)
	}
}

func wantClosed(t *testing.T, err error, cause error, words string) {
	t.Helper()
	var read *model.ReadError
	if !errors.As(err, &read) || read.Cause != model.LineClosed || !errors.Is(err, cause) || !strings.Contains(read.Hint, words) {
		t.Fatalf("got %v (%+v), want cause %v and a hint with %q", err, read, cause, words)
	}
}

func TestMissingTerminal(t *testing.T) {
	l := New(model.Line{Name: "bus", Address: filepath.Join(t.TempDir(), "none")})
	defer l.Close()
	wantClosed(t, l.Open(t.Context()), unix.ENOENT, "/dev/serial/by-id")
	wantClosed(t, ask(t, l, 0), unix.ENOENT, "plug it in")
}

func TestNotATerminal(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	l := New(model.Line{Name: "bus", Address: file})
	defer l.Close()
	wantClosed(t, l.Open(t.Context()), errNotTTY, "serial port")
}

// TestBusyTerminal opens a port twice: by two lines, which the file lock
// tells apart, and after a program that only sets the exclusive flag. The
// second opener must leave the first one's settings alone, even as root.
func TestBusyTerminal(t *testing.T) {
	first, link, _ := newTTY(t, slave.Pace{}, slave.Faults{})
	if err := first.Open(t.Context()); err != nil {
		t.Fatal(err)
	}
	second := New(model.Line{Name: "bus", Address: link, Baud: 115200})
	defer second.Close()
	wantClosed(t, second.Open(t.Context()), errBusy, "another program")
	if err := ask(t, first, 3); err != nil {
		t.Errorf("the first opener lost its line: %v", err)
	}
	first.Close()
	other, err := serial.Open(link, &serial.Mode{BaudRate: 9600})
	if err != nil {
		t.Fatal(err)
	}
	if err := second.Open(t.Context()); err == nil {
		t.Error("opened a port that another program holds")
	}
	other.Close()
	if err := second.Open(t.Context()); err != nil {
		t.Errorf("the port is free again: %v", err)
	}
}

// TestNoPermission opens a port as nobody, in a process of its own.
func TestNoPermission(t *testing.T) {
	if path := os.Getenv("LINE_TEST_PORT"); path != "" {
		l := New(model.Line{Name: "bus", Address: path})
		wantClosed(t, l.Open(t.Context()), unix.EACCES, "dialout")
		return
	}
	_, path, pull := newTTY(t, slave.Pace{}, slave.Faults{})
	defer pull()
	device, err := filepath.EvalSymlinks(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(device, 0o000); err != nil {
		t.Fatal(err)
	}
	cmd := asNobody(t, "^TestNoPermission$")
	cmd.Env = append(cmd.Env, "LINE_TEST_PORT="+device)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, out)
	}
}

// asNobody runs a test of this binary without root's powers.
func asNobody(t *testing.T, test string) *exec.Cmd {
	t.Helper()
	self, err := os.ReadFile("/proc/self/exe")
	if err != nil {
		t.Fatal(err)
	}
	dir, err := os.MkdirTemp("", "line")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	binary := filepath.Join(dir, "test")
	if err := errors.Join(os.Chmod(dir, 0o755), os.WriteFile(binary, self, 0o755)); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(binary, "-test.run", test)
	cmd.Dir, cmd.Env = dir, []string{"PATH=" + os.Getenv("PATH"), "TMPDIR=" + dir}
	if os.Geteuid() == 0 {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	}
	return cmd
}

// TestChildInheritsNothing starts a program while the port is open.
func TestChildInheritsNothing(t *testing.T) {
	l, _, _ := newTTY(t, slave.Pace{}, slave.Faults{})
	before := inheritable()
	if err := l.Open(t.Context()); err != nil {
		t.Fatal(err)
	}
	for fd := range inheritable() {
		if !before[fd] {
			t.Errorf("descriptor %d would be inherited", fd)
		}
	}
}

// TestWriteAfterClose gives the descriptor's number to a file and writes to
// the closed port: the file must stay empty.
func TestWriteAfterClose(t *testing.T) {
	_, link, _ := newTTY(t, slave.Pace{}, slave.Faults{})
	p, err := openTTY(model.Line{Address: link}, driverOf)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.close(); err != nil {
		t.Fatal(err)
	}
	var files []*os.File
	for range 8 {
		f, err := os.Create(filepath.Join(t.TempDir(), "f"))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		files = append(files, f)
	}
	if err := p.write([]byte("stray")); !errors.Is(err, errClosed) {
		t.Errorf("write: got %v", err)
	}
	if _, err := p.read(make([]byte, 1), 0); !errors.Is(err, errClosed) {
		t.Errorf("read: got %v", err)
	}
	for _, f := range files {
		if st, err := f.Stat(); err != nil || st.Size() != 0 {
			t.Errorf("%s got bytes (%v)", f.Name(), err)
		}
	}
}

// TestCloseEndsQuestion closes the line under a question that waits long.
func TestCloseEndsQuestion(t *testing.T) {
	asked := make(chan bool, 1)
	lose := func(slave.Request) slave.Fault { asked <- true; return slave.Fault{Kind: slave.Lost} }
	l, _, _ := newTTY(t, slave.Pace{}, slave.Faults{Next: lose})
	result := make(chan error, 1)
	go func() {
		_, err := l.Read(context.Background(), model.ReadRequest{Unit: 2, Count: 2, Timeout: time.Hour})
		result <- err
	}()
	<-asked
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	var read *model.ReadError
	if err := <-result; !errors.As(err, &read) {
		t.Errorf("got %v", err)
	}
	wantClosed(t, ask(t, l, 0), errClosed, "stopping")
}

// TestReadBack compares settings as a driver would report them: a Pi's
// mini-UART drops parity and the second stop bit without an error.
func TestReadBack(t *testing.T) {
	even := model.Line{Baud: 9600}
	two := model.Line{Baud: 9600, Parity: model.NoParity, StopBits: 2}
	for _, c := range []struct {
		name string
		def  model.Line
		got  unix.Termios
		want error
	}{
		{"even kept", even, unix.Termios{Cflag: unix.PARENB, Ospeed: 9600}, nil},
		{"even dropped", even, unix.Termios{Ospeed: 9600}, errParity},
		{"odd for even", even, unix.Termios{Cflag: unix.PARENB | unix.PARODD, Ospeed: 9600}, errParity},
		{"two stop bits kept", two, unix.Termios{Cflag: unix.CSTOPB, Ospeed: 9600}, nil},
		{"two stop bits dropped", two, unix.Termios{Ospeed: 9600}, errStopBits},
		{"rounded baud", even, unix.Termios{Cflag: unix.PARENB, Ospeed: 9615}, nil},
		{"another baud", even, unix.Termios{Cflag: unix.PARENB, Ospeed: 38400}, errBaud},
	} {
		if err := compare(&c.got, c.def); !errors.Is(err, c.want) {
			t.Errorf("%s: got %v, want %v", c.name, err, c.want)
		}
		if c.want != nil && hint(c.def, c.want) == hint(c.def, errUnplug) {
			t.Errorf("%s: no hint of its own", c.name)
		}
	}
}

// TestAlarmIsNeverEarly sleeps with and without the kernel's timer files: a
// silence that ends before its time is no silence to the units.
func TestAlarmIsNeverEarly(t *testing.T) {
	for name, a := range map[string]*timer{"timer file": newTimer(), "none": {lead: firstLead}} {
		for _, d := range []time.Duration{-time.Second, 0, time.Microsecond, 49 * time.Microsecond, 60 * time.Microsecond, 1750 * time.Microsecond, 7 * time.Millisecond} {
			for range 20 {
				began := time.Now()
				a.sleep(d)
				if slept := time.Since(began); slept < d {
					t.Errorf("%s: slept %v of %v, lead %v", name, slept, d, a.lead)
				}
				if a.lead < 0 || a.lead > mostLead {
					t.Fatalf("%s: the lead is %v after %v", name, a.lead, d)
				}
			}
		}
		if err := a.close(); err != nil {
			t.Error(err)
		}
	}
}
