package line

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"tickover/collector/slave"
	"tickover/model"
)

// Requests by number, from the kernel's include/uapi/asm-generic/ioctls.h.
const (
	getSerial = 0x541E
	setSerial = 0x541F
	getRS485  = 0x542E
	setRS485  = 0x542F
)

// kernel is a driver that keeps the bytes of its structures as the kernel's
// headers lay them out.
type kernel struct {
	serial, rs485 []byte
	settings      unix.Termios
	fails         map[uint]error
	drops         bool // takes settings and keeps none
	asked         []uint
}

func (k *kernel) do(request uint, p unsafe.Pointer) error {
	k.asked = append(k.asked, request)
	if err := k.fails[request]; err != nil {
		return err
	}
	at := func(b []byte) []byte { return unsafe.Slice((*byte)(p), len(b)) }
	switch request {
	case getSerial:
		copy(at(k.serial), k.serial)
	case setSerial:
		if !k.drops {
			copy(k.serial, at(k.serial))
		}
	case getRS485:
		copy(at(k.rs485), k.rs485)
	case setRS485:
		if !k.drops {
			copy(k.rs485, at(k.rs485))
		}
		copy(at(k.rs485), k.rs485)
	case unix.TCGETS2:
		*(*unix.Termios)(p) = k.settings
	default:
		return unix.ENOTTY
	}
	return nil
}

// newKernel fills every byte of a serial_struct of so many bytes (72 where
// pointers take 8, as on amd64 and arm64, 60 on arm) and of a serial_rs485.
func newKernel(size int) *kernel {
	k := &kernel{fails: map[uint]error{}}
	for i := range size {
		k.serial = append(k.serial, byte(i+100))
	}
	copy(k.serial[16:], []byte{0x40, 0x00, 0x00, 0x10}) // flags, behind type, line, port, irq
	k.rs485 = []byte{0x04, 0, 0, 0, 1, 0, 0, 0, 2, 0, 0, 0}
	for i := range 20 {
		k.rs485 = append(k.rs485, byte(200+i))
	}
	return k
}

var tuned = model.Line{KernelRS485: true, LowLatency: true}

// TestTuneChangesOneBitOfEach holds every byte that the driver gave against
// every byte that it gets back.
func TestTuneChangesOneBitOfEach(t *testing.T) {
	for _, size := range []int{72, 60} {
		k, want := newKernel(size), newKernel(size)
		want.serial[17] |= 0x20 // ASYNC_LOW_LATENCY, 1 << 13
		want.rs485[0] |= 0x01   // SER_RS485_ENABLED
		if lacks := tune(k.do, tuned); lacks != nil {
			t.Errorf("%d bytes: %q", size, lacks)
		}
		if !bytes.Equal(k.serial, want.serial) || !bytes.Equal(k.rs485, want.rs485) {
			t.Errorf("%d bytes: the driver got\n% x\n% x\nwant\n% x\n% x", size, k.serial, k.rs485, want.serial, want.rs485)
		}
		if order := []uint{getRS485, setRS485, getSerial, setSerial, getSerial}; !slices.Equal(k.asked, order) {
			t.Errorf("asked %x, want %x", k.asked, order)
		}
	}
	k := newKernel(72)
	if tune(k.do, model.Line{}); len(k.asked) > 0 {
		t.Errorf("a line that wants nothing asked for %x", k.asked)
	}
}

// TestTuneSaysWhatADriverLacks fails each request in turn.
func TestTuneSaysWhatADriverLacks(t *testing.T) {
	names := map[uint]string{getSerial: "low latency: ", setSerial: "low latency: ", getRS485: "direction by driver: ", setRS485: "direction by driver: "}
	words := map[unix.Errno]string{unix.ENOTTY: "no such setting", unix.ENOSYS: "no such setting", unix.EINVAL: "no such setting",
		unix.EPERM: "operation not permitted", unix.EIO: "input/output error"}
	for request, name := range names {
		for errno, text := range words {
			k := newKernel(72)
			k.fails[request] = errno
			lacks := tune(k.do, tuned)
			if len(lacks) != 1 || !strings.HasPrefix(lacks[0], name) || !strings.Contains(lacks[0], text) {
				t.Errorf("request %x fails with %v: %q", request, errno, lacks)
			}
		}
	}
	k := newKernel(72)
	k.drops = true
	if lacks := tune(k.do, tuned); len(lacks) != 2 || !strings.Contains(fmt.Sprint(lacks), "drops it") {
		t.Errorf("a driver that drops all: %q", lacks)
	}
}

// TestALineWorksOnADriverThatLacksAll opens a port whose driver knows neither
// setting, and reads.
func TestALineWorksOnADriverThatLacksAll(t *testing.T) {
	l, _, _ := newTTY(t, slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}, slave.Faults{})
	l.def.KernelRS485, l.def.LowLatency = true, true
	k := newKernel(72)
	k.fails[getRS485], k.fails[getSerial] = unix.ENOTTY, unix.EPERM
	k.settings = unix.Termios{Cflag: unix.PARENB, Ospeed: 19200}
	l.behind = func(int) driver { return driver{do: k.do} }
	if err := ask(t, l, 3); err != nil {
		t.Error(err)
	}
	if h := l.Health(); !h.Open || len(h.Lacks) != 2 {
		t.Errorf("health %+v", h)
	}
}

// TestRefusedBaud opens a port whose driver keeps a rate of its own.
func TestRefusedBaud(t *testing.T) {
	l, _, _ := newTTY(t, slave.Pace{}, slave.Faults{})
	l.def.Baud = 38400
	k := newKernel(72)
	k.settings = unix.Termios{Cflag: unix.PARENB, Ospeed: 9600}
	l.behind = func(int) driver { return driver{do: k.do} }
	err := l.Open(t.Context())
	wantClosed(t, err, errBaud, "a rate that both")
	if !strings.Contains(err.Error(), "asked for 38400, got 9600 Bd") {
		t.Error(err)
	}
	if l.Health().Open {
		t.Error("the line is open at a rate that nobody asked for")
	}
}
