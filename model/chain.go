package model

// Chain says that a device's registers lie in a chain of SunSpec models: the
// marker "SunS" stands at one of a few bases, and behind it one model after
// another, each with its number and its length. Where the wanted model begins
// is known only after the chain was walked.
type Chain struct {
	Bases  []uint16 // zero-based addresses to look for the marker at, in this order; empty means that Start is certain
	Model  uint16   // number of the model the points belong to
	Length uint16   // registers behind the model's two header registers
	Start  uint16   // address of the model's number that the points' addresses suppose
}

// ChainMarker is what stands at the base of a chain of models: "SunS".
var ChainMarker = [2]uint16{0x5375, 0x6e53}

// ChainEnd is the model number that closes a chain.
const ChainEnd = 0xffff

// MovedTo returns the device with every register shifted so that its model
// begins at start. It reports false when a register would leave the table, or
// when the device has no chain. The receiver is not changed.
func (d Device) MovedTo(start uint16) (Device, bool) {
	if d.Chain == nil {
		return d, false
	}
	by := int(start) - int(d.Chain.Start)
	chain := *d.Chain
	chain.Start = start
	d.Chain = &chain
	points := make([]Point, len(d.Points))
	for i, p := range d.Points {
		if !p.Register.shift(by) {
			return Device{}, false
		}
		points[i] = p
	}
	d.Points = points
	return d, true
}

// shift moves the register and its exponent; false when one leaves the table.
func (r *Register) shift(by int) bool {
	at := int(r.Address) + by
	if at < 0 || at+r.Type.Words() > 65536 {
		return false
	}
	r.Address = uint16(at)
	if r.Exponent == nil {
		return true
	}
	e := int(*r.Exponent) + by
	if e < 0 || e > 65535 {
		return false
	}
	moved := uint16(e)
	r.Exponent = &moved
	return true
}
