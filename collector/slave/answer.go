package slave

import (
	"encoding/binary"

	"tickover/model"
)

const (
	exceptionBit   = 0x80
	identification = 0x2B // encapsulated interface transport
	identifyType   = 0x0E // read device identification
)

// isRead reports whether a request PDU can change nothing in a device.
func isRead(pdu []byte) bool {
	return pdu[0] >= 1 && pdu[0] <= 4 || pdu[0] == identification && len(pdu) > 1 && pdu[1] == identifyType
}

func tableOf(function byte) model.Table {
	return [...]model.Table{1: model.Coils, 2: model.DiscreteInputs, 3: model.HoldingRegisters, 4: model.InputRegisters}[function]
}

// answer returns the PDU that the unit answers a request PDU with, nil for
// silence. tooMany adds so many items to what was asked.
func answer(bank Bank, unit byte, pdu []byte, tooMany int) []byte {
	refuse := func(code byte) []byte {
		if code == NoSuchUnit {
			return nil
		}
		return []byte{pdu[0] | exceptionBit, code}
	}
	if pdu[0] == identification && isRead(pdu) {
		return identify(bank, unit, refuse)
	}
	if !isRead(pdu) {
		return refuse(IllegalFunction)
	}
	if len(pdu) != 5 {
		return refuse(IllegalValue)
	}
	table := tableOf(pdu[0])
	address, count := binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])
	if count == 0 || int(count) > table.Limit() {
		return refuse(IllegalValue)
	}
	words, code := bank.Read(unit, table, address, count)
	if code != 0 {
		return refuse(code)
	}
	for range tooMany {
		words = append(words, 0)
	}
	return pack(pdu[0], table, words)
}

// pack writes words as the data of a read answer.
func pack(function byte, table model.Table, words []uint16) []byte {
	if !table.Bits() {
		out := []byte{function, byte(2 * len(words))}
		for _, w := range words {
			out = binary.BigEndian.AppendUint16(out, w)
		}
		return out
	}
	out := make([]byte, 2+(len(words)+7)/8)
	out[0], out[1] = function, byte(len(out)-2)
	for i, w := range words {
		out[2+i/8] |= byte(w&1) << (i % 8)
	}
	return out
}

// identify answers 2B/0E with the three basic objects in one piece.
func identify(bank Bank, unit byte, refuse func(byte) []byte) []byte {
	if _, code := bank.Read(unit, model.HoldingRegisters, 0, 1); code == NoSuchUnit {
		return nil
	}
	known, ok := bank.(Identifier)
	if !ok {
		return refuse(IllegalFunction)
	}
	objects, ok := known.Identity(unit)
	if !ok {
		return refuse(IllegalFunction)
	}
	out := []byte{identification, identifyType, 1, 1, 0, 0, byte(len(objects))}
	for i, text := range objects {
		out = append(out, byte(i), byte(len(text)))
		out = append(out, text...)
	}
	return out
}
