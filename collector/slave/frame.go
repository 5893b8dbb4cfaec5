package slave

// checksum is the CRC of Modbus over Serial Line v1.02, clause 6.2.2: preset
// FFFF, polynomial A001 (reflected). Bit by bit on purpose: it is the second
// opinion on the table-driven one that the line uses.
func checksum(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			odd := crc & 1
			crc >>= 1
			if odd == 1 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// frame makes an RTU frame of a unit and a PDU.
func frame(unit byte, pdu []byte) []byte {
	out := append([]byte{unit}, pdu...)
	crc := checksum(out)
	return append(out, byte(crc), byte(crc>>8))
}

// valid reports whether b is one frame with a good checksum.
func valid(b []byte) bool {
	return len(b) >= 4 && len(b) <= 256 && checksum(b[:len(b)-2]) == uint16(b[len(b)-2])|uint16(b[len(b)-1])<<8
}

// whole reports whether b is a whole read request. Other functions vary in
// length and are known by the silence after them.
func whole(b []byte) bool {
	return len(b) == 8 && b[1] >= 1 && b[1] <= 4 && valid(b)
}
