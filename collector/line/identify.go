package line

import (
	"context"
	"time"

	"tickover/model"
)

// Read device identification, application protocol v1.1b3, clause 6.21.
const (
	identification = 0x2B // encapsulated interface transport
	identifyType   = 0x0E // read device identification
	basicObjects   = 0x01 // vendor, product code, revision
	objectsAt      = 7    // PDU bytes before the first object
	mostPieces     = 4    // answers one identification may come in
)

// Identify asks a unit for its vendor, product code and revision. timeout 0
// means the line's. The error is as Read's; many units know nothing of the
// question and answer with exception 01.
func (l *Line) Identify(ctx context.Context, unit uint8, timeout time.Duration) (model.Identity, error) {
	objects := map[byte]string{}
	next, more := byte(0), true
	for piece := 0; more && piece < mostPieces; piece++ {
		q := question{ReadRequest: model.ReadRequest{Unit: unit, Address: uint16(next), Timeout: timeout}, identify: true}
		pdu, _, err := l.put(ctx, q)
		if err != nil {
			return model.Identity{}, err
		}
		next, more = identity(pdu, objects)
	}
	return model.Identity{Vendor: objects[0], Product: objects[1], Revision: objects[2]}, nil
}

// identity takes the objects out of an answer's PDU and says whether more
// follow, from which on.
func identity(pdu []byte, objects map[byte]string) (next byte, more bool) {
	at := objectsAt
	for range pdu[6] {
		id, n := pdu[at], int(pdu[at+1])
		objects[id] = string(pdu[at+2 : at+2+n])
		at += 2 + n
	}
	return pdu[5], pdu[4] == 0xFF && pdu[5] != 0
}

// identityLength is the length of an identification PDU that begins b; false
// when b ends before it does or is none.
func identityLength(b []byte) (int, bool) {
	if len(b) < objectsAt || b[1] != identifyType {
		return 0, false
	}
	at := objectsAt
	for range b[6] {
		if at+2 > len(b) {
			return 0, false
		}
		at += 2 + int(b[at+1])
	}
	return at, at <= len(b)
}
