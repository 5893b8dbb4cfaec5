package config

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// register reads where a point lies and how it lies there.
func (p *configPoint) register() {
	before := len(*p.found)
	if n := p.values["register"]; n != nil {
		if table, address, ok := p.place(n); ok {
			p.Register.Table, p.Register.Address = table, address
		}
	}
	p.typed()
	p.Register.Order = model.WordOrder(p.choice("word order", model.WordOrders()))
	if p.values["word order"] != nil && p.Register.Type.Words() == 1 && p.Register.Order%2 == 1 {
		p.wrong(p.at("word order"), "remove this line, or check the type",
			"%s is a single register and has no word order", p.Register.Type)
	}
	p.Register.Invert = p.yes("inverted")
	if p.Register.Invert && p.Register.Type != model.BitValue {
		p.wrong(p.at("inverted"), "remove this line", "only a bit can be inverted")
	}
	p.exponent()
	p.missing()
	p.placed = p.values["register"] != nil && len(*p.found) == before
	if p.Register.Span() > 65536 {
		p.wrong(p.at("register"), "the last address is 65535",
			"%s at %d ends beyond the last register", p.Register.Type, p.Register.Address)
	}
}

// typed reads the type and the bit.
func (p *configPoint) typed() {
	reg := &p.Register
	if reg.Table.Bits() {
		reg.Type = model.BitValue
	}
	if p.values["type"] != nil {
		reg.Type = model.RegisterType(p.choice("type", model.RegisterTypes()))
	}
	bit, hasBit := p.whole("bit", 0, 15)
	reg.Bit = uint8(bit)
	switch {
	case reg.Table.Bits() && reg.Type != model.BitValue:
		p.wrong(p.at("type"), "remove this line, or read a holding or input register",
			"%s %d is one bit and cannot hold %s", reg.Table, reg.Address, reg.Type)
	case reg.Table.Bits() && hasBit:
		p.wrong(p.at("bit"), "remove this line", "%s %d is one bit already", reg.Table, reg.Address)
	case reg.Table.Bits():
	case hasBit && p.values["type"] != nil && reg.Type != model.BitValue:
		p.wrong(p.at("bit"), "remove the bit or the type", "one bit of a register cannot be %s",
			reg.Type)
	case hasBit:
		reg.Type = model.BitValue
	case reg.Type == model.BitValue && p.values["bit"] == nil:
		p.wrong(p.at("type"), "add bit: 0 to 15; 0 is the least significant",
			"the bit number is missing")
	}
	if reg.Type == model.BitValue && p.Quantity != model.State && p.Quantity != model.NoQuantity {
		p.wrong(p.at("register"), "read a register, or rename the point",
			"%s is a %s, which one bit cannot hold", p.ID, p.Quantity)
	}
}

// exponent reads the register that holds a power of ten.
func (p *configPoint) exponent() {
	n := p.values["power of ten in"]
	if n == nil {
		return
	}
	table, address, ok := p.place(n)
	switch {
	case !ok:
	case table != p.Register.Table:
		p.wrong(n, "both must be in the same table", "the power of ten is in %s, the point in %s",
			table, p.Register.Table)
	case p.Register.Type >= model.Float32:
		p.wrong(n, "remove this line", "%s cannot have a power of ten", p.Register.Type)
	default:
		p.Register.Exponent = &address
	}
}

var framePlace = regexp.MustCompile(`^(\S+)\s+(\S+)$`)

var tableNames = []string{"holding", "input", "coil", "discrete"}

const placeHint = `write the table and the address in the frame, such as holding 0, ` +
	`or the reference in quotes, such as "40001"`

// place reads a register: table and frame address, or a quoted reference.
func (s *sourceText) place(n *yaml.Node) (table model.Table, address uint16, ok bool) {
	t, ok := s.scalar(n, "a register")
	if !ok {
		return 0, 0, false
	}
	quoted := n.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle) != 0
	words := framePlace.FindStringSubmatch(strings.TrimSpace(t))
	switch {
	case words != nil:
		return s.framed(n, words[1], words[2])
	case !quoted:
		return 0, 0, s.unquoted(n, t)
	}
	return s.reference(n, t)
}

func (s *sourceText) framed(n *yaml.Node, name, number string) (model.Table, uint16, bool) {
	for i, known := range tableNames {
		if name != known {
			continue
		}
		if !s.plainNumber(n, number) {
			return 0, 0, false
		}
		a, err := wholeNumber(number)
		if err != nil || a < 0 || a > 65535 {
			s.wrong(n, "use an address from 0 to 65535", "%q is not a frame address", number)
			return 0, 0, false
		}
		return model.Table(i), uint16(a), true
	}
	s.wrong(n, didYouMean(name, tableNames), "there is no table %q", name)
	return 0, 0, false
}

// unquoted notes a bare number, which could be an address or a reference.
func (s *sourceText) unquoted(n *yaml.Node, t string) bool {
	hint := placeHint
	if digits.MatchString(t) && len(t) >= 5 {
		if table, address, ok := referenced(t); ok {
			hint = fmt.Sprintf("write %q in quotes for %s %d, or holding %s if %s is the address "+
				"in the frame", t, table, address, strings.TrimLeft(t, "0"), t)
		}
	}
	s.wrong(n, hint, "%q is ambiguous", t)
	return false
}

var digits = regexp.MustCompile(`^[0-9]+$`)

func (s *sourceText) reference(n *yaml.Node, t string) (model.Table, uint16, bool) {
	table, address, ok := referenced(t)
	if !ok {
		s.wrong(n, "0xxxx is a coil, 1xxxx a discrete input, 3xxxx an input, 4xxxx a holding "+
			"register; they count from 1, with four or five digits behind the first",
			"%q is not a register reference", t)
	}
	return table, address, ok
}

// referenced reads the five- or six-digit notation: the first digit names the
// table, the rest counts from 1.
func referenced(t string) (model.Table, uint16, bool) {
	if !digits.MatchString(t) || len(t) != 5 && len(t) != 6 {
		return 0, 0, false
	}
	tables := map[byte]model.Table{'4': model.HoldingRegisters, '3': model.InputRegisters,
		'0': model.Coils, '1': model.DiscreteInputs}
	table, ok := tables[t[0]]
	number, err := strconv.Atoi(t[1:])
	if !ok || err != nil || number < 1 || number > 65536 {
		return 0, 0, false
	}
	return table, uint16(number - 1), true
}
