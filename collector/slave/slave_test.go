package slave

import (
	"bytes"
	"context"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// TestAnswers holds answers against the standard's worked examples
// (application protocol v1.1b3, the clause of each) and its rules.
func TestAnswers(t *testing.T) {
	r := &Registers{}
	r.Set(1, model.HoldingRegisters, 107, 555, 0, 100)
	r.Set(1, model.InputRegisters, 8, 10)
	for i, on := range "1011001111010110101" { // coils 20 to 38
		r.Set(1, model.Coils, uint16(19+i), uint16(on-'0'))
	}
	for _, c := range []struct {
		name      string
		unit      byte
		pdu, want []byte
	}{
		{"6.1", 1, []byte{1, 0, 0x13, 0, 0x13}, []byte{1, 3, 0xCD, 0x6B, 5}},
		{"6.3", 1, []byte{3, 0, 0x6B, 0, 3}, []byte{3, 6, 2, 0x2B, 0, 0, 0, 0x64}},
		{"6.4", 1, []byte{4, 0, 8, 0, 1}, []byte{4, 2, 0, 0x0A}},
		{"7, no such coil", 1, []byte{1, 4, 0xA1, 0, 1}, []byte{0x81, 2}},
		{"one past the end", 1, []byte{3, 0, 0x6B, 0, 4}, []byte{0x83, 2}},
		{"126 registers", 1, []byte{3, 0, 0, 0, 126}, []byte{0x83, 3}},
		{"a write", 1, []byte{6, 0, 0x6B, 0, 1}, []byte{0x86, 1}},
		{"no identity", 1, []byte{0x2B, 0x0E, 1, 0}, []byte{0xAB, 1}},
		{"absent unit", 9, []byte{3, 0, 0, 0, 1}, nil},
	} {
		if got := answer(r, c.unit, c.pdu, 0); !bytes.Equal(got, c.want) {
			t.Errorf("%s: got % X, want % X", c.name, got, c.want)
		}
	}
	if words, code := r.Read(1, model.HoldingRegisters, 107, 1); code != 0 || words[0] != 555 {
		t.Errorf("the write changed something: %v, %d", words, code)
	}
	if !slices.Equal(r.Units(), []byte{1}) {
		t.Errorf("units %v", r.Units())
	}
}

type named struct{ *Registers }

func (named) Identity(byte) ([3]string, bool) {
	return [3]string{"Company identification", "Product code XX", "V2.11"}, true
}

// TestIdentity is the example of clause 6.21, with its length of object 1
// (printed 0D) corrected to the fifteen characters that follow.
func TestIdentity(t *testing.T) {
	r := &Registers{}
	r.Set(1, model.HoldingRegisters, 0, 1)
	want := "\x2B\x0E\x01\x01\x00\x00\x03\x00\x16Company identification\x01\x0FProduct code XX\x02\x05V2.11"
	if got := answer(named{r}, 1, []byte{0x2B, 0x0E, 1, 0}, 0); string(got) != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// TestPacedAnswer times an answer by the clock of the bubble: at 9600 Bd the
// request of 8 characters, t3.5, the turnaround, then 9 characters.
func TestPacedAnswer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bank := &Registers{}
		bank.Set(1, model.HoldingRegisters, 0, 7, 8)
		ours, theirs := net.Pipe()
		log := &Log{}
		done := make(chan error, 1)
		go func() {
			done <- ServeRTU(context.Background(), theirs, bank, Pace{Baud: 9600, Turnaround: 5 * time.Millisecond, Strict: true}, Faults{Log: log})
		}()
		start := time.Now()
		got := exchange(t, ours, frame(1, []byte{3, 0, 0, 0, 2}), 9)
		if want := frame(1, []byte{3, 4, 0, 7, 0, 8}); !bytes.Equal(got, want) {
			t.Errorf("got % X, want % X", got, want)
		}
		tc := 11 * time.Second / 9600
		want := 17*tc + 7*11*time.Second/(2*9600) + 5*time.Millisecond
		if took := time.Since(start); took < want-time.Microsecond || took > want+time.Microsecond {
			t.Errorf("took %s, want %s", took, want)
		}
		// At once, so too early: a strict slave is deaf to it.
		if _, err := ours.Write(frame(1, []byte{3, 0, 0, 0, 1})); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		exchange(t, ours, frame(1, []byte{6, 0, 0, 0, 1}), 5)
		if log.Early() != 1 || len(log.Requests()) != 3 || len(log.Violations()) != 1 || !strings.Contains(log.Violations()[0], "06") {
			t.Errorf("early %d, requests %d, violations %v", log.Early(), len(log.Requests()), log.Violations())
		}
		ours.Close()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

func exchange(t *testing.T, c net.Conn, request []byte, length int) []byte {
	t.Helper()
	if _, err := c.Write(request); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, length)
	for n := 0; n < length; {
		k, err := c.Read(got[n:])
		if err != nil {
			t.Fatal(err)
		}
		n += k
	}
	return got
}

// TestServeEndsWithContext serves a terminal that nobody opens.
func TestServeEndsWithContext(t *testing.T) {
	master, _, err := OpenPTY()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- ServeRTU(ctx, master, &Registers{}, Pace{}, Faults{}) }()
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
}
