package model

import (
	"fmt"
	"math"
	"time"
)

// Table is one of Modbus' four tables. The zero value is HoldingRegisters.
type Table uint8

// The tables, each with the function code that reads it.
const (
	HoldingRegisters Table = iota // function 03, references 4xxxx
	InputRegisters                // function 04, references 3xxxx
	Coils                         // function 01, references 0xxxx
	DiscreteInputs                // function 02, references 1xxxx
)

// String names the table as the configuration does.
func (t Table) String() string {
	return word([]string{"holding", "input", "coil", "discrete"}, int(t))
}

// Function returns the read function code of the table.
func (t Table) Function() byte { return [...]byte{3, 4, 1, 2}[t&3] }

// Bits reports whether the table holds single bits.
func (t Table) Bits() bool { return t == Coils || t == DiscreteInputs }

// Limit returns the most items one read may ask for by the Modbus application
// protocol v1.1b3, clauses 6.1 to 6.4: 2000 bits or 125 registers.
func (t Table) Limit() int {
	if t.Bits() {
		return 2000
	}
	return 125
}

// RegisterType says how a value lies in its registers. The zero value is Uint16.
type RegisterType uint8

// The register types.
const (
	Uint16 RegisterType = iota
	Int16
	Uint32
	Int32
	Uint64
	Int64
	Float32
	Float64
	BitValue // one coil or discrete input, or one bit of a register (see Register.Bit)
)

var registerTypes = []string{"unsigned 16", "signed 16", "unsigned 32", "signed 32", "unsigned 64", "signed 64", "float 32", "float 64", "bit"}

// String names the type in plain words, as the configuration does.
func (t RegisterType) String() string { return word(registerTypes, int(t)) }

// RegisterTypes lists the names of all types in order.
func RegisterTypes() []string { return registerTypes }

// Words returns how many registers the type takes.
func (t RegisterType) Words() int { return [...]int{1, 1, 2, 2, 4, 4, 2, 4, 1}[t] }

// WordOrder says which register of a wide value comes first, and whether the
// bytes inside each register are exchanged. The zero value is the standard's:
// high word first, high byte first.
type WordOrder uint8

// The word orders, in plain words.
const (
	HighWordFirst WordOrder = iota
	LowWordFirst
	HighWordFirstBytesSwapped
	LowWordFirstBytesSwapped
)

var wordOrders = []string{"high word first", "low word first", "high word first, bytes swapped", "low word first, bytes swapped"}

// String names the order in plain words, as the configuration does.
func (o WordOrder) String() string { return word(wordOrders, int(o)) }

// WordOrders lists the names of all orders in order.
func WordOrders() []string { return wordOrders }

// Register says where on the bus a value lies and how to read it.
type Register struct {
	Table   Table
	Address uint16 // zero-based, as it stands in the frame
	Type    RegisterType
	Order   WordOrder
	Bit     uint8 // for BitValue in a register table: 0 is the least significant
	Invert  bool  // for BitValue: 0 reads as 1
	// Resolution turns counts into canonical units. For float types, Num and
	// Den convert the unit after the float was read (kW to W is 1000/1); the
	// zero value means the float is in the canonical unit already.
	Resolution Resolution
	// Exponent points at a register of the same table that holds a power of
	// ten (SunSpec's scale factor) to multiply the counts by. nil means none.
	Exponent *uint16
	// Missing lists the raw patterns that mean "not implemented", right-aligned
	// in as many bits as the type has. Empty means none.
	Missing []uint64
}

// Span returns the first address after the value.
func (r Register) Span() int { return int(r.Address) + r.Type.Words() }

// Reference writes the register in the five- or six-digit notation, such as
// "40001" for holding register 0.
func (r Register) Reference() string {
	lead := [...]int{4, 3, 0, 1}[r.Table&3]
	if r.Address < 9999 {
		return fmt.Sprintf("%d%04d", lead, int(r.Address)+1)
	}
	return fmt.Sprintf("%d%05d", lead, int(r.Address)+1)
}

// Raw assembles the bits of the value from its registers in frame order.
// len(words) must be Type.Words(). For bit tables a word is 0 or 1.
func (r Register) Raw(words []uint16) uint64 {
	if r.Type == BitValue {
		b := uint64(words[0])
		if !r.Table.Bits() {
			b = b >> r.Bit & 1
		}
		if r.Invert {
			b ^= 1
		}
		return b
	}
	low := r.Order == LowWordFirst || r.Order == LowWordFirstBytesSwapped
	swap := r.Order == HighWordFirstBytesSwapped || r.Order == LowWordFirstBytesSwapped
	var raw uint64
	for i := range words {
		w := words[i]
		if low {
			w = words[len(words)-1-i]
		}
		if swap {
			w = w<<8 | w>>8
		}
		raw = raw<<16 | uint64(w)
	}
	return raw
}

// Decode turns the value's registers (in frame order, len Type.Words()) into
// canonical units. exponent is the content of the Exponent register, 0 when
// there is none. The cause is NoCause, NotImplemented (a Missing pattern, a
// NaN, or SunSpec's 0x8000 exponent) or Implausible (an infinite float, an
// exponent outside -10..10).
func (r Register) Decode(words []uint16, exponent int16) (float64, Cause) {
	raw := r.Raw(words)
	for _, m := range r.Missing {
		if raw == m {
			return 0, NotImplemented
		}
	}
	if exponent == math.MinInt16 {
		return 0, NotImplemented
	}
	if exponent < -10 || exponent > 10 {
		return 0, Implausible
	}
	switch r.Type {
	case Float32:
		return r.float(float64(math.Float32frombits(uint32(raw))))
	case Float64:
		return r.float(math.Float64frombits(raw))
	case Uint64:
		if raw > math.MaxInt64 {
			return 0, Implausible
		}
	}
	return r.resolution(exponent).Value(signed(r.Type, raw)), NoCause
}

func (r Register) float(v float64) (float64, Cause) {
	switch {
	case math.IsNaN(v):
		return 0, NotImplemented
	case math.IsInf(v, 0):
		return 0, Implausible
	}
	if res := r.Resolution; res.Num != 0 && res.Den > 0 {
		v = float64(float64(v*float64(res.Num))+float64(res.Off)) / float64(res.Den)
	}
	return v, NoCause
}

// resolution applies a power of ten to the counts.
func (r Register) resolution(exponent int16) Resolution {
	res := r.Resolution
	if !res.Known() {
		res = Resolution{Num: 1, Den: 1}
	}
	for ; exponent > 0; exponent-- {
		res.Num *= 10
	}
	for ; exponent < 0; exponent++ {
		res.Den *= 10
		res.Off *= 10
	}
	return res
}

func signed(t RegisterType, raw uint64) int64 {
	switch t {
	case Int16:
		return int64(int16(raw))
	case Int32:
		return int64(int32(raw))
	}
	return int64(raw)
}

// Point is one value the set is watched by.
type Point struct {
	ID       PointID
	Label    string // what people call it; the ID when empty
	Quantity Quantity
	Device   string   // name of the device that holds it; empty for a derived point
	Register Register // where it lies; unused for a derived point
	// Every is the poll interval. 0 means the device's.
	Every time.Duration
	// Fast says that the point is polled as fast as the line allows while the
	// set is cranked, runs up or takes a load step. False means at its own
	// interval, whatever the point is.
	Fast bool
	// Low and High bound what is physically plausible, canonical unit. Both 0
	// means no bound. Outside, the sample is Bad with cause Implausible.
	Low, High float64
	// Class is the instrument's accuracy in canonical units of reading error
	// at the point's usual value; 0 means not stated.
	Class float64
	// Sensor says how the point is worked out from a raw one; nil for a point
	// whose register holds its value. Register is then unused.
	Sensor *Sensor `json:",omitempty"`
}

// Sample decodes the point's registers into a sample. words are in frame
// order; exponent as for Register.Decode.
func (p *Point) Sample(words []uint16, exponent int16) Sample {
	v, cause := p.Register.Decode(words, exponent)
	switch {
	case cause != NoCause:
		return BadSample(p.ID, cause)
	case (p.Low != 0 || p.High != 0) && (v < p.Low || v > p.High):
		return Sample{Point: p.ID, Value: v, Cause: Implausible}
	}
	return GoodSample(p.ID, v)
}
