//go:build peers

package line

import (
	"bufio"
	"context"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// The peers share no code with this program; see testdata/peers/README.md for
// the packages they need and the map they serve. Run by: go test -tags peers.
const peers = "../../testdata/peers/"

func start(t *testing.T, name string, args ...string) *bufio.Scanner {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	return bufio.NewScanner(out)
}

// pair joins two pseudo-terminals by socat.
func pair(t *testing.T) (ours, theirs string) {
	t.Helper()
	dir := t.TempDir()
	ours, theirs = filepath.Join(dir, "a"), filepath.Join(dir, "b")
	start(t, "socat", "pty,raw,echo=0,link="+ours, "pty,raw,echo=0,link="+theirs)
	for range 200 {
		_, a := os.Stat(ours)
		_, b := os.Stat(theirs)
		if a == nil && b == nil {
			return ours, theirs
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatal("socat made no terminals")
	return "", ""
}

func ready(t *testing.T, out *bufio.Scanner) {
	t.Helper()
	if !out.Scan() || out.Text() != "ready" {
		t.Fatalf("the peer said %q", out.Text())
	}
	time.Sleep(300 * time.Millisecond) // it says so before its loop runs
}

func TestLibmodbusPeer(t *testing.T) {
	binary := filepath.Join(t.TempDir(), "slave")
	flags, err := exec.Command("pkg-config", "--cflags", "--libs", "libmodbus").Output()
	if err != nil {
		t.Fatal(err)
	}
	args := append([]string{"-O2", "-Wall", "-Werror", "-o", binary, peers + "libmodbus_slave.c"}, strings.Fields(string(flags))...)
	if out, err := exec.Command("gcc", args...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	ours, theirs := pair(t)
	ready(t, start(t, binary, theirs, "9600", "7"))
	readPeer(t, ours)
}

func TestPymodbusPeer(t *testing.T) {
	ours, theirs := pair(t)
	ready(t, start(t, "/usr/bin/python3", peers+"pymodbus_slave.py", theirs, "9600", "7"))
	readPeer(t, ours)
}

// readPeer reads the whole map and compares every value exactly.
func readPeer(t *testing.T, path string) {
	l := New(model.Line{Name: "peer", Address: path, Baud: 9600})
	defer l.Close()
	read := func(table model.Table, address, count uint16) ([]uint16, error) {
		a, err := l.Read(context.Background(), model.ReadRequest{Unit: 7, Table: table, Address: address, Count: count})
		return a.Words, err
	}
	for _, c := range []struct {
		register model.Register
		want     float64
	}{
		{model.Register{Address: 0}, 2301},
		{model.Register{Address: 1, Type: model.Int16}, -125},
		{model.Register{Address: 2, Type: model.Float32}, float64(float32(50.02))},
		{model.Register{Address: 4, Type: model.Float32, Order: model.LowWordFirst}, float64(float32(50.02))},
		{model.Register{Address: 6, Type: model.Uint32}, 305419896},
		{model.Register{Address: 8, Type: model.Uint32, Order: model.LowWordFirst}, 305419896},
	} {
		words, err := read(model.HoldingRegisters, c.register.Address, uint16(c.register.Type.Words()))
		if err != nil {
			t.Fatal(err)
		}
		if got, cause := c.register.Decode(words, 0); cause != model.NoCause || math.Float64bits(got) != math.Float64bits(c.want) {
			t.Errorf("holding %d: got %v (%s), want %v", c.register.Address, got, cause, c.want)
		}
	}
	blocks := map[model.Table]func(int) uint16{
		model.HoldingRegisters: func(i int) uint16 { return uint16(1010 + i) },
		model.InputRegisters:   func(i int) uint16 { return uint16(5010 + i) },
	}
	for n := range 200 {
		for table, want := range blocks {
			count := 1 + n%100
			words, err := read(table, 10, uint16(count))
			if err != nil {
				t.Fatal(err)
			}
			for i, w := range words {
				if w != want(i) {
					t.Fatalf("%s %d: got %d, want %d", table, 10+i, w, want(i))
				}
			}
		}
	}
	for table, want := range map[model.Table]func(int) bool{
		model.Coils:          func(i int) bool { return i%3 == 0 },
		model.DiscreteInputs: func(i int) bool { return i%2 == 1 },
	} {
		words, err := read(table, 0, 20)
		if err != nil {
			t.Fatal(err)
		}
		for i, w := range words {
			if (w == 1) != want(i) {
				t.Errorf("%s %d: %d", table, i, w)
			}
		}
	}
	_, err := read(model.HoldingRegisters, 109, 2)
	var refused *model.ReadError
	if !errors.As(err, &refused) || refused.Exception != 2 {
		t.Errorf("past the end: got %v", err)
	}
	t.Logf("%+v", l.Health())
}
