package line

import (
	"bytes"
	"context"
	"encoding/binary"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// mangler is a port with units behind it that answer in order, and a wire that
// damages every other answer. Time is the test's.
type mangler struct {
	rng   *rand.Rand
	tc    time.Duration
	queue []delivery
	free  time.Time // when the units have said all they have to say
	made  [][]byte  // the newest good frames, right for some question
	heard []byte    // the newest bytes that the line was given
	hurt  int
}

// delivery is a run of bytes and when its last one is there.
type delivery struct {
	at time.Time
	b  []byte
}

func (m *mangler) read(b []byte, wait time.Duration) (int, error) {
	if len(m.queue) == 0 {
		time.Sleep(wait)
		return 0, nil
	}
	if left := time.Until(m.queue[0].at); left > 0 {
		time.Sleep(min(left, wait))
		if left > wait {
			return 0, nil
		}
	}
	n := copy(b, m.queue[0].b)
	m.heard = append(m.heard, m.queue[0].b[:n]...)
	m.heard = m.heard[max(0, len(m.heard)-4096):]
	if m.queue[0].b = m.queue[0].b[n:]; len(m.queue[0].b) == 0 {
		m.queue = m.queue[1:]
	}
	return n, nil
}

func (m *mangler) close() error          { return nil }
func (m *mangler) paced() bool           { return true }
func (m *mangler) pause(d time.Duration) { time.Sleep(d) }

// content is what stands at an address; no two questions have one answer.
func content(unit, function byte, address uint16) uint16 {
	x := uint32(unit)<<24 ^ uint32(function)<<20 ^ uint32(address)
	x = (x ^ x>>16) * 0x7feb352d
	x = (x ^ x>>15) * 0x846ca68b
	return uint16(x ^ x>>16)
}

func (m *mangler) write(b []byte) error {
	address, count := binary.BigEndian.Uint16(b[2:]), binary.BigEndian.Uint16(b[4:])
	good := []byte{b[0], b[1], byte(2 * count)}
	for i := range count {
		good = binary.BigEndian.AppendUint16(good, content(b[0], b[1], address+i))
	}
	good = append(good, slowChecksum(good)...)
	m.made = append(m.made, good)
	m.made = m.made[max(0, len(m.made)-64):]
	heard := time.Now().Add(8*m.tc + 7*m.tc/2 + 3*time.Millisecond)
	if m.free.Before(heard) {
		m.free = heard
	}
	if m.rng.IntN(2) == 0 {
		m.say(good)
		return nil
	}
	m.hurt++
	m.damage(bytes.Clone(b), good)
	return nil
}

// say puts bytes on the wire when it is free: the first by itself, so that its
// time is known, then the rest.
func (m *mangler) say(b []byte) {
	if len(b) == 0 {
		return
	}
	m.queue = append(m.queue, delivery{m.free.Add(m.tc), b[:1]})
	m.free = m.free.Add(time.Duration(len(b)) * m.tc)
	if len(b) > 1 {
		m.queue = append(m.queue, delivery{m.free, b[1:]})
	}
}

func (m *mangler) noise(n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(m.rng.Uint32())
	}
	return b
}

// damage does one of the things that happen to answers.
func (m *mangler) damage(request, good []byte) {
	bad := bytes.Clone(good)
	at := m.rng.IntN(len(bad))
	switch m.rng.IntN(14) {
	case 0: // lost
	case 1: // bits turned
		for range 1 + m.rng.IntN(8) {
			bad[m.rng.IntN(len(bad))] ^= 1 << m.rng.IntN(8)
		}
		m.say(bad)
	case 2: // cut short
		m.say(bad[:at])
	case 3: // a byte lost
		m.say(append(bad[:at], bad[at+1:]...))
	case 4: // a byte too many
		m.say(append(append(bad[:at:at], byte(m.rng.Uint32())), good[at:]...))
	case 5: // ghosts before and after
		m.say(append(append(m.noise(m.rng.IntN(4)), good...), m.noise(m.rng.IntN(4))...))
	case 6: // late
		m.free = m.free.Add(time.Duration(m.rng.IntN(1500)) * time.Millisecond)
		m.say(good)
	case 7: // twice
		m.say(good)
		m.free = m.free.Add(4 * m.tc)
		m.say(good)
	case 8: // echo
		m.say(append(request, good...))
	case 9: // everything but the head garbled
		m.say(append(bad[:3:3], m.noise(len(bad)-3)...))
	case 10: // noise of the right length
		m.say(m.noise(len(bad)))
	case 11: // an exception
		head := []byte{good[0], good[1] | exceptionBit, 2}
		m.say(append(head, slowChecksum(head)...))
	case 12: // the frame of a unit that nobody asked first; one that takes another's number cannot be told
		other := append([]byte{9}, m.noise(len(good)-3)...)
		copy(other[1:3], good[1:3])
		m.say(append(append(other, slowChecksum(other)...), good...))
	case 13: // silence inside
		m.say(bad[:at])
		m.free = m.free.Add(time.Duration(m.rng.IntN(30)) * time.Millisecond)
		m.say(good[at:])
	}
}

// excused reports whether a wrong answer is one that sixteen bits of checksum
// cannot tell: its frame was on the wire, and no unit made it.
func (m *mangler) excused(q model.ReadRequest, words []uint16) bool {
	frame := []byte{q.Unit, q.Table.Function(), byte(2 * q.Count)}
	for _, w := range words {
		frame = binary.BigEndian.AppendUint16(frame, w)
	}
	frame = append(frame, slowChecksum(frame)...)
	for _, good := range m.made {
		if bytes.Equal(good, frame) {
			return false
		}
	}
	return bytes.Contains(m.heard, frame)
}

// TestDamagedTransactions damages every other answer at random. Nothing wrong
// may come through but what has a good checksum by chance. Set LINE_DAMAGED to
// ask more often:
//
//	LINE_DAMAGED=10000000 go test -run TestDamagedTransactions -v -timeout 1h ./collector/line
func TestDamagedTransactions(t *testing.T) {
	n := 20000
	if text := os.Getenv("LINE_DAMAGED"); text != "" {
		var err error
		if n, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	synctest.Test(t, func(t *testing.T) {
		def := model.Line{Name: "bus", Baud: 19200, Timeout: 300 * time.Millisecond}
		m := &mangler{rng: rand.New(rand.NewPCG(1, 2)), tc: def.CharacterTime()}
		l := New(def)
		defer l.Close()
		l.dial = func(context.Context) (exchange, error) { return newWire(def, m, l.tally, l.memory), nil }
		right, failed, chance := 0, 0, 0
		for range n {
			q := model.ReadRequest{Unit: byte(1 + m.rng.IntN(3)), Table: model.Table(m.rng.IntN(2)),
				Address: uint16(m.rng.IntN(200)), Count: []uint16{1, 2, 2, 2, 10}[m.rng.IntN(5)]}
			a, err := l.Read(context.Background(), q)
			wrong := false
			for i, w := range a.Words {
				wrong = wrong || w != content(q.Unit, q.Table.Function(), q.Address+uint16(i))
			}
			switch {
			case err != nil:
				failed++
			case !wrong:
				right++
			case m.excused(q, a.Words):
				chance++
			default:
				t.Fatalf("%s: got %04x, which is the answer to another question", q, a.Words)
			}
		}
		t.Logf("%d questions, %d answers damaged: %d right, %d failed, %d wrong by a checksum that fits by chance, 0 others; %+v",
			n, m.hurt, right, failed, chance, l.Health())
		if right < n/2 {
			t.Errorf("only %d of %d came through", right, n)
		}
	})
}
