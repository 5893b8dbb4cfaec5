package line

import (
	"bytes"
	"context"
	"errors"
	"testing"
	"testing/synctest"

	"tickover/collector/slave"
	"tickover/model"
)

// FuzzSeek searches arbitrary bytes: what is found must be a whole frame of
// the shape asked for, with a checksum that a bit-by-bit count agrees to.
func FuzzSeek(f *testing.F) {
	f.Add([]byte{0x11, 3, 6, 2, 0x2B, 0, 0, 0, 0x64, 0xC8, 0xBA}, byte(0x11), byte(3), byte(6))
	f.Add([]byte{0, 0x11, 0x81, 2, 0xC0, 0x54, 0}, byte(0x11), byte(1), byte(1))
	f.Add([]byte{1, 0x2B, 0x0E, 1, 1, 0, 0, 1, 0, 2, 'A', 'B', 0x5C, 0xD9}, byte(1), byte(4), byte(0))
	f.Fuzz(func(t *testing.T, b []byte, unit, function, count byte) {
		want := shape{unit, function & 3, int(count)}
		if function&4 != 0 {
			want = shape{unit, identification, 0}
		}
		frames(b)
		begun(b, want)
		got, ok := seek(b, want)
		if !ok {
			return
		}
		frame := b[got.start:got.end]
		fits := frame[0] == unit && (frame[1] == want.function && sized(want, frame[1:len(frame)-2]) ||
			frame[1] == want.function|exceptionBit && len(frame) == 5)
		if !fits || !bytes.Equal(frame[len(frame)-2:], slowChecksum(frame[:len(frame)-2])) {
			t.Errorf("% X was taken for an answer to %+v", frame, want)
		}
	})
}

// slowChecksum is the serial guide's clause 6.2.2, bit by bit.
func slowChecksum(b []byte) []byte {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			if crc, c = crc>>1, byte(crc&1); c == 1 {
				crc ^= 0xA001
			}
		}
	}
	return []byte{byte(crc), byte(crc >> 8)}
}

// TestEchoThatLooksLikeTheAnswer reads 20 coils from address 768: the request
// 01 01 03 00 00 14 is, byte for byte, a good answer of three data bytes.
func TestEchoThatLooksLikeTheAnswer(t *testing.T) {
	for _, kind := range []slave.FaultKind{slave.Echo, slave.Lost} {
		synctest.Test(t, func(t *testing.T) {
			bank := &slave.Registers{}
			for a := range uint16(20) {
				bank.Set(1, model.Coils, 768+a, 1)
			}
			faults := slave.Faults{Next: func(slave.Request) slave.Fault { return slave.Fault{Kind: kind} }}
			l := bench(t, model.Line{}, bank, slave.Pace{Baud: 19200}, faults)
			a, err := l.Read(context.Background(), model.ReadRequest{Unit: 1, Table: model.Coils, Address: 768, Count: 20})
			if kind == slave.Lost {
				if err == nil {
					t.Errorf("no answer was taken for %v", a.Words)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			for i, w := range a.Words {
				if w != 1 {
					t.Errorf("coil %d: %d", i, w)
				}
			}
			if l.Health().Echoes != 1 {
				t.Errorf("%d echoes counted", l.Health().Echoes)
			}
		})
	}
}

// TestMalformedQuestions are refused before anything is sent.
func TestMalformedQuestions(t *testing.T) {
	l := New(model.Line{Address: "/nonexistent"})
	for _, q := range []model.ReadRequest{
		{Unit: 0, Count: 1}, {Unit: 248, Count: 1}, {Unit: 255, Count: 1},
		{Unit: 1, Count: 0}, {Unit: 1, Count: 126}, {Unit: 1, Table: model.Coils, Count: 2001},
		{Unit: 1, Address: 65535, Count: 2},
	} {
		_, err := l.Read(context.Background(), q)
		var read *model.ReadError
		if !errors.As(err, &read) || read.Cause != model.NotPolledYet || read.Detail == "" || read.Hint == "" {
			t.Errorf("%s: got %v", q, err)
		}
	}
}

// TestReadsOnly drives every table over every kind of line, through timeouts
// and fences, and looks at what the slave was sent.
func TestReadsOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := &slave.Log{}
		drop := func(r slave.Request) slave.Fault {
			if r.Number%3 == 1 {
				return slave.Fault{Kind: slave.Lost}
			}
			return slave.Fault{}
		}
		l := bench(t, model.Line{}, numbers(), slave.Pace{Baud: 19200}, slave.Faults{Next: drop, Log: log})
		for table := range model.Table(8) { // past the four there are, too
			for i := range uint16(10) {
				_, _ = l.Read(context.Background(), model.ReadRequest{Unit: 2, Table: table, Address: i, Count: 1 + i})
				_, _ = l.Identify(context.Background(), 2, 0)
			}
		}
		if v := log.Violations(); len(v) > 0 {
			t.Errorf("not a read: %v", v)
		}
		if n := len(log.Requests()); n < 80 {
			t.Errorf("only %d questions came through", n)
		}
	})
	for function := range 256 {
		for kind := range 256 {
			read := function >= 1 && function <= 4 || function == 0x2B && kind == 0x0E
			if err := readOnly([]byte{byte(function), byte(kind)}); (err == nil) != read {
				t.Errorf("function %02X %02X: %v", function, kind, err)
			}
		}
	}
}

// TestBabbler meets a line that never falls silent: the question fails in
// bounded time, and the line works again when the babbling ends.
func TestBabbler(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		babble := func(r slave.Request) slave.Fault { return slave.Fault{} }
		l := bench(t, model.Line{}, numbers(), slave.Pace{Baud: 19200}, slave.Faults{Next: babble})
		if err := l.Open(t.Context()); err != nil {
			t.Fatal(err)
		}
		c := l.conn.(*wire).port.(*cable)
		ctx, stop := context.WithCancel(context.Background())
		done := make(chan bool)
		go func() { defer close(done); flood0(ctx, c) }()
		_, err := l.Read(context.Background(), model.ReadRequest{Unit: 2, Count: 2})
		var read *model.ReadError
		if !errors.As(err, &read) || read.Cause != model.CorruptAnswer {
			t.Errorf("got %v", err)
		}
		stop()
		<-done
		if err := ask(t, l, 5); err != nil {
			t.Errorf("after the babbling: %v", err)
		}
	})
}
