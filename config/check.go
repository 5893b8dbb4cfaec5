package config

import (
	"cmp"
	"fmt"
	"slices"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// check holds what was read against each other.
func (r *parser) check(top section) {
	r.checkLines(top)
	r.checkDevices()
	r.checkPoints()
	for i := range r.devices {
		r.devices[i].checkOverlaps()
	}
	r.checkDerivedInputs()
	r.checkSecondPoints()
	r.checkAlarms()
}

// nameSet finds names given twice. The zero value is ready.
type nameSet map[string]*yaml.Node

// again notes a name met before and remembers it otherwise.
func (ns nameSet) again(s *sourceText, at *yaml.Node, what, name string) {
	if name == "" {
		return
	}
	if first := ns[name]; first != nil {
		s.wrong(at, fmt.Sprintf("the first is in line %d: rename one", first.Line),
			"there are two %s named %q", what, name)
		return
	}
	ns[name] = at
}

func (r *parser) checkLines(top section) {
	seen, ports := nameSet{}, nameSet{}
	for _, l := range r.lines {
		seen.again(top.sourceText, l.at, "lines", l.Name)
		if first := ports[l.Address]; first != nil && l.Address != "" {
			top.wrong(l.at, fmt.Sprintf("add its devices to the line defined in line %d",
				first.Line), "two lines use %s", l.Address)
			continue
		}
		ports[l.Address] = l.at
	}
}

func (r *parser) checkDevices() {
	seen := nameSet{}
	var lines []string
	for _, l := range r.lines {
		lines = append(lines, l.Name)
	}
	type place struct {
		line string
		unit uint8
	}
	taken := map[place]string{}
	for _, d := range r.devices {
		seen.again(d.sec.sourceText, d.sec.at("name"), "devices", d.Name)
		if d.Line != "" && !slices.Contains(lines, d.Line) {
			d.sec.wrong(d.sec.at("line"), didYouMean(d.Line, lines), "there is no line %q", d.Line)
		}
		at := place{d.Line, d.Unit}
		if other, clash := taken[at]; clash && d.Unit != 0 {
			d.sec.wrong(d.sec.at("unit"), "change the address of one device, and enter it here",
				"unit %d on line %s is already used by %s", d.Unit, d.Line, other)
			continue
		}
		taken[at] = d.Name
	}
}

func (r *parser) checkPoints() {
	seen := nameSet{}
	for _, d := range r.devices {
		for _, p := range d.points {
			at, s := p.at("point"), p.sourceText
			if p.fromProfile {
				at, s = d.sec.at("profile"), d.sec.sourceText
			}
			if seen[string(p.ID)] != at {
				seen.again(s, at, "points", string(p.ID))
			}
		}
	}
}

// registerSpan is what one point uses of a table.
type registerSpan struct {
	table    model.Table
	from, to int // to is excluded
	p        *configPoint
	exponent bool
}

// checkOverlaps notes points of one device that share registers, which is an
// address or a type gone wrong. Bits of one register may share it, and so may
// points with one power of ten.
func (d *configDevice) checkOverlaps() {
	var all []registerSpan
	for i := range d.points {
		p := &d.points[i]
		if !p.placed {
			continue
		}
		all = append(all, registerSpan{p.Register.Table, int(p.Register.Address), p.Register.Span(),
			p, false})
		if e := p.Register.Exponent; e != nil {
			all = append(all, registerSpan{p.Register.Table, int(*e), int(*e) + 1, p, true})
		}
	}
	slices.SortStableFunc(all, func(a, b registerSpan) int {
		return cmp.Or(cmp.Compare(a.table, b.table), cmp.Compare(a.from, b.from))
	})
	for i, b := range all {
		for _, a := range all[:i] {
			if a.table == b.table && a.to > b.from && !a.shares(b) {
				d.overlap(a, b)
				break
			}
		}
	}
}

// shares reports whether two stretches may lie on each other.
func (a registerSpan) shares(b registerSpan) bool {
	if a.exponent || b.exponent {
		return a.exponent && b.exponent
	}
	ra, rb := a.p.Register, b.p.Register
	return ra.Type == model.BitValue && rb.Type == model.BitValue && !ra.Table.Bits() &&
		ra.Bit != rb.Bit
}

func (d *configDevice) overlap(a, b registerSpan) {
	if a.p.node.Line > b.p.node.Line && a.p.fromProfile == b.p.fromProfile || b.p.fromProfile &&
		!a.p.fromProfile {
		a, b = b, a
	}
	b.p.wrong(b.p.at(b.key()),
		"check both addresses and types: a wide type takes two or four registers",
		"%s uses %s, which %s already uses", b.p.ID, b.text(), a.p.ID)
}

func (a registerSpan) key() string {
	if a.exponent {
		return "power of ten in"
	}
	return "register"
}

func (a registerSpan) text() string {
	if a.to-a.from == 1 {
		return fmt.Sprintf("%s %d", a.table, a.from)
	}
	return fmt.Sprintf("%s %d..%d", a.table, a.from, a.to-1)
}
