package slave

import "time"

// FaultKind names what goes wrong with one answer. The zero value, NoFault,
// is an answer as it should be.
type FaultKind uint8

// The faults. Those marked (RTU) pass without effect over Modbus TCP.
const (
	NoFault         FaultKind = iota
	ExceptionFault            // exception Value, 2 when 0
	Lost                      // no answer
	Late                      // the right answer after Delay more
	Truncated                 // the first half only
	BitError                  // one bit turned (RTU)
	WrongUnit                 // the frame of another unit
	ForeignBefore             // another unit's good frame, then the answer
	GhostBefore               // 0x00 before (RTU)
	GhostAfter                // 0x00 after (RTU)
	GhostAfterPause           // 0x00 some time after (RTU)
	PauseInside               // silence of Delay, 8 ms when 0, in the middle
	TooMany                   // eight items more than asked
	WrongFunction             // function 04 for 03 and so on
	Echo                      // the adapter gives the request back first (RTU)
	Noise                     // forty bytes of noise, then the answer (RTU)
	NoiseOnly                 // forty bytes of noise and no answer (RTU)
	Twice                     // the answer two times
	ByteLost                  // one byte of the middle missing (RTU)
	Hangup                    // the connection is closed instead (TCP)
	faultKinds
)

var faultNames = [faultKinds]string{"none", "exception", "lost", "late", "truncated", "bit error", "wrong unit",
	"foreign frame before", "ghost before", "ghost after", "ghost after a pause", "pause inside", "too many registers",
	"wrong function", "echo", "noise before", "noise only", "answer twice", "byte lost", "hang-up"}

// String names the fault in words.
func (k FaultKind) String() string {
	if k < faultKinds {
		return faultNames[k]
	}
	return "unknown fault"
}

// Fault is what is done to one answer.
type Fault struct {
	Kind  FaultKind
	Delay time.Duration // see the kind; for all others it is added to the turnaround
	Value byte          // see the kind
}

// Faults decides what goes wrong. The zero value lets nothing go wrong.
type Faults struct {
	// Next is asked once for each question to a unit; nil means NoFault always.
	Next func(Request) Fault
	// Log records the questions; nil means nowhere.
	Log *Log
}

func (f Faults) next(r Request) Fault {
	if f.Next == nil {
		return Fault{}
	}
	return f.Next(r)
}

// piece is a run of bytes after a pause.
type piece struct {
	pause time.Duration
	bytes []byte
}

// pieces returns what the wire carries in answer to request when good would
// be the right frame. gap is the silence that separates frames.
func pieces(f Fault, request, good []byte, gap time.Duration) []piece {
	whole := []piece{{f.Delay, good}}
	half := len(good) / 2
	switch f.Kind {
	case ExceptionFault:
		return []piece{{f.Delay, frame(good[0], []byte{request[1] | exceptionBit, orElse(f.Value, IllegalAddress)})}}
	case Lost:
		return nil
	case Truncated:
		return []piece{{f.Delay, good[:half]}}
	case BitError:
		bad := append([]byte(nil), good...)
		bad[half] ^= 0x10
		return []piece{{f.Delay, bad}}
	case WrongUnit:
		return []piece{{f.Delay, frame(good[0]+1, good[1:len(good)-2])}}
	case ForeignBefore:
		return []piece{{f.Delay, stranger(good)}, {gap, good}}
	case WrongFunction:
		return []piece{{f.Delay, frame(good[0], otherFunction(good[1:len(good)-2]))}}
	case PauseInside:
		if f.Delay == 0 {
			f.Delay = 8 * time.Millisecond
		}
		return []piece{{0, good[:half]}, {f.Delay, good[half:]}}
	case Twice:
		return append(whole, piece{gap, good})
	case ByteLost:
		return []piece{{f.Delay, good[:half]}, {0, good[half+1:]}}
	}
	return strays(f, good, whole)
}

// strays are the faults that only add bytes.
func strays(f Fault, good []byte, whole []piece) []piece {
	switch f.Kind {
	case GhostBefore:
		return []piece{{f.Delay, append([]byte{0}, good...)}}
	case GhostAfter:
		return append(whole, piece{0, []byte{0}})
	case GhostAfterPause:
		return append(whole, piece{1200 * time.Microsecond, []byte{0}})
	case Noise:
		return append([]piece{{f.Delay, noise()}}, piece{0, good})
	case NoiseOnly:
		return []piece{{f.Delay, noise()}}
	}
	return whole
}

// stranger is a frame like good from the next unit with other data.
func stranger(good []byte) []byte {
	pdu := append([]byte(nil), good[1:len(good)-2]...)
	for i := 2; i < len(pdu); i++ {
		pdu[i] ^= 0xA5
	}
	return frame(good[0]+1, pdu)
}

// otherFunction exchanges 03 with 04 and 01 with 02.
func otherFunction(pdu []byte) []byte {
	out := append([]byte(nil), pdu...)
	out[0] = [...]byte{1: 2, 2: 1, 3: 4, 4: 3}[out[0]&7]
	return out
}

// noise is the same forty bytes every time, so that a test can be repeated.
func noise() []byte {
	out := make([]byte, 40)
	x := uint32(2463534242)
	for i := range out {
		x ^= x << 13
		x ^= x >> 17
		x ^= x << 5
		out[i] = byte(x)
	}
	return out
}

func orElse(v, other byte) byte {
	if v == 0 {
		return other
	}
	return v
}
