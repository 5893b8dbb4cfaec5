package line

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/goburrow/modbus"

	"tickover/model"
)

const (
	exceptionBit = 0x80
	maxFrame     = 256 // bytes of an RTU frame, serial guide v1.02 clause 2.5.1
)

var errNotRead = errors.New("refused to send anything but a read")

// question is what is put to a unit: a read of a table, or read device
// identification from its object Address on.
type question struct {
	model.ReadRequest
	identify bool
}

// String writes the question as people say it.
func (q question) String() string {
	if q.identify {
		return fmt.Sprintf("unit %d, device identification", q.Unit)
	}
	return q.ReadRequest.String()
}

func (q question) function() byte {
	if q.identify {
		return identification
	}
	return q.Table.Function()
}

// request builds the only PDUs there are.
func request(q question) *modbus.ProtocolDataUnit {
	if q.identify {
		return &modbus.ProtocolDataUnit{FunctionCode: identification, Data: []byte{identifyType, basicObjects, byte(q.Address)}}
	}
	data := binary.BigEndian.AppendUint16(nil, q.Address)
	return &modbus.ProtocolDataUnit{FunctionCode: q.Table.Function(), Data: binary.BigEndian.AppendUint16(data, q.Count)}
}

// readOnly is the last look at a PDU before it goes on the wire: a read of
// one of the tables, or read device identification.
func readOnly(pdu []byte) error {
	read := pdu[0] >= 1 && pdu[0] <= 4
	if read || pdu[0] == identification && len(pdu) > 1 && pdu[1] == identifyType {
		return nil
	}
	return errNotRead
}

// payload is the number of data bytes in the answer to q; that of an
// identification is not known beforehand.
func payload(q question) int {
	switch {
	case q.identify:
		return 0
	case q.Table.Bits():
		return (int(q.Count) + 7) / 8
	}
	return 2 * int(q.Count)
}

// check refuses questions that the protocol has no room for.
func check(def model.Line, q question) error {
	refuse := func(detail, hint string) error {
		return &model.ReadError{Cause: model.NotPolledYet, Request: q.String(), Detail: detail, Hint: hint}
	}
	direct := def.Kind == model.TCPLine && (q.Unit == 0 || q.Unit == 255) // devices without a line behind them
	switch {
	case (q.Unit < 1 || q.Unit > 247) && !direct:
		return refuse(fmt.Sprintf("unit %d cannot be asked", q.Unit), "units are 1 to 247; 0 means all units, 248 and up are reserved")
	case q.identify:
	case q.Count == 0 || int(q.Count) > q.Table.Limit():
		return refuse(fmt.Sprintf("%d items in one read", q.Count), fmt.Sprintf("ask for 1 to %d at a time", q.Table.Limit()))
	case int(q.Address)+int(q.Count) > 1<<16:
		return refuse("the read runs past address 65535", "check address and count")
	}
	return nil
}

// decode splits the PDU of an answer that was matched to q already into words.
func decode(q model.ReadRequest, pdu []byte) []uint16 {
	words := make([]uint16, q.Count)
	for i := range words {
		if q.Table.Bits() {
			words[i] = uint16(pdu[2+i/8]>>(i%8)) & 1
		} else {
			words[i] = binary.BigEndian.Uint16(pdu[2+2*i:])
		}
	}
	return words
}

var exceptionTexts = map[byte][2]string{
	1:    {"illegal function", "the unit does not know this table: try the other register table"},
	2:    {"illegal data address", "a register of the read does not exist: check address, off-by-one and count"},
	3:    {"illegal data value", "the unit gives fewer registers in one read: set its maximum"},
	4:    {"device failure", "the unit reports a fault of its own"},
	5:    {"acknowledge", "the unit needs longer: ask less often"},
	6:    {"device busy", "the unit is busy: ask less often"},
	8:    {"memory parity error", "the unit reports a fault of its own"},
	0x0A: {"gateway path unavailable", "the gateway itself has no way to this unit: check its port settings and unit map"},
	0x0B: {"gateway target failed to respond", "the gateway works, the unit behind it is silent: check power, wiring and unit number there"},
}

// proves says what an exception code proves of the questions before. A unit that
// is busy (05, 06) may be busy with one of them, and a gateway's word about a unit
// that said nothing (0A, 0B) is none of the unit's.
func proves(code byte) refusal {
	switch code {
	case 5, 6:
		return busy
	case 0x0A, 0x0B:
		return copied
	}
	return passed
}

// exceptionText names an exception as the application protocol v1.1b3, clause
// 7, does, and says what to do.
func exceptionText(code byte) (detail, hint string) {
	text, ok := exceptionTexts[code]
	if !ok {
		text = [2]string{"not in the standard", "see the unit's own manual"}
	}
	return fmt.Sprintf("exception %02X, %s", code, text[0]), text[1]
}

func exceptionError(q question, code byte) error {
	detail, hint := exceptionText(code)
	return &model.ReadError{Cause: model.DeviceException, Exception: code, Request: q.String(), Detail: detail, Hint: hint}
}
