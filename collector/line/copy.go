package line

import "encoding/binary"

// enoughAlone is how many answers in a row that came alone
// show that a unit does not send its answers twice.
const enoughAlone = 256

// believes reports whether an answer like the unit's last one is taken for
// what it says. Where a set stands still many registers hold the same nothing,
// and to ask for each of them again costs several times what the plan says. So
// such answers are believed of a unit that was never, in its last answers, seen
// to send one twice.
func (w *wire) believes(frame []byte) bool {
	return len(frame) > 0 && w.alone[frame[0]] >= enoughAlone && bland(frame)
}

// bland reports whether a good answer's data are what many registers hold at
// once: bits, or words that are all 0 or stand for no value (8000 and FFFF, as
// in SunSpec's information model specification).
func bland(frame []byte) bool {
	if frame[1] <= 2 {
		return true
	}
	data := frame[3 : len(frame)-2]
	for ; len(data) >= 2; data = data[2:] {
		switch binary.BigEndian.Uint16(data) {
		case 0, 0x8000, 0xFFFF:
		default:
			return false
		}
	}
	return true
}
