package config

import (
	"slices"
	"strconv"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// configDevice is a device with the places of what it said.
type configDevice struct {
	model.Device
	sec    section
	points []configPoint
}

// paceKeys holds the keys that a profile may give and a device override.
var paceKeys = []string{"every", "timeout", "gap", "max registers", "powered by the set"}

func (r *parser) device(s *sourceText, n *yaml.Node) {
	known := slices.Concat([]string{"name", "line", "unit", "profile", "base", "model at",
		"leave out", "points", "fast"}, paceKeys)
	sec, ok := s.section(n, "the device", known...)
	if !ok {
		return
	}
	sec.need("name", "line", "unit")
	d := configDevice{sec: sec}
	d.Name, d.Line = sec.name("name"), sec.textOf("line")
	unit, _ := sec.whole("unit", 1, 247)
	d.Unit = uint8(unit)
	whole := len(r.found)
	if _, ok := sec.text("profile"); ok {
		r.profile(sec, &d)
	}
	profileFailed := len(r.found) > whole
	d.placed(sec)
	sec.paced(&d.Device)
	d.without(sec)
	for _, n := range sec.items("points") {
		d.override(sec.sourceText, n)
	}
	d.fast(sec)
	if len(d.points) == 0 && len(sec.items("points")) == 0 && !profileFailed {
		sec.wrong(sec.at("points"), "add points: or a profile that has points",
			"no points are read from this device")
	}
	for i := range d.points {
		d.points[i].Device = d.Name
	}
	r.devices = append(r.devices, d)
}

// fast does what the device says of all its points in a burst. A point of the
// configuration that says it for itself has the last word, the profile none.
func (d *configDevice) fast(sec section) {
	if sec.values["fast"] == nil {
		return
	}
	all := sec.yes("fast")
	for i := range d.points {
		if p := &d.points[i]; p.fromProfile || p.values["fast"] == nil {
			p.Fast = all
		}
	}
}

// paced reads the keys of pace over what the device has.
func (s section) paced(d *model.Device) {
	if s.values["every"] != nil {
		d.Every = s.every()
	}
	if s.values["timeout"] != nil {
		d.Timeout = s.duration("timeout", time.Millisecond, time.Minute)
	}
	if s.values["gap"] != nil {
		d.MinGap = s.duration("gap", 0, time.Second)
	}
	if s.values["max registers"] != nil {
		d.MaxRegisters, _ = s.whole("max registers", 1, 125)
	}
	if s.values["powered by the set"] != nil {
		d.PoweredBySet = s.yes("powered by the set")
	}
}

// every reads a poll interval.
func (s section) every() time.Duration {
	return s.duration("every", 10*time.Millisecond, 24*time.Hour)
}

// placed settles where a device with a chain of models is looked for, and
// moves the profile's points there for a start.
func (d *configDevice) placed(sec section) {
	for _, key := range []string{"base", "model at"} {
		if d.Chain == nil && sec.values[key] != nil {
			sec.wrong(sec.at(key), "remove it, or name a SunSpec profile",
				"%q needs a SunSpec profile", key)
		}
	}
	if d.Chain == nil {
		return
	}
	if b, ok := sec.whole("base", 0, 65535-chainStart); ok {
		d.Chain.Bases = []uint16{uint16(b)}
		d.Chain.Start = uint16(b + chainStart)
	}
	if at, ok := sec.whole("model at", 0, 65535-2-int(d.Chain.Length)); ok {
		d.Chain.Bases = nil
		d.Chain.Start = uint16(at)
	}
	start := int(d.Chain.Start)
	for i := range d.points {
		d.points[i].move(start)
	}
}

// without takes out the points of the profile that the device leaves out.
func (d *configDevice) without(sec section) {
	texts, nodes := sec.list("leave out")
	for i, t := range texts {
		at := slices.IndexFunc(d.points, func(p configPoint) bool { return string(p.ID) == t })
		if at < 0 {
			sec.wrong(nodes[i], didYouMeanOr(t, d.ids(),
				"only points of the profile can be left out"),
				"the profile has no point %q to leave out", t)
			continue
		}
		d.points = slices.Delete(d.points, at, at+1)
	}
}

func (d *configDevice) ids() []string {
	var ids []string
	for _, p := range d.points {
		ids = append(ids, string(p.ID))
	}
	return ids
}

// override reads one point of the device's own, in place of the profile's
// point of that name when there is one.
func (d *configDevice) override(s *sourceText, n *yaml.Node) {
	p, ok := s.point(n)
	if !ok {
		return
	}
	if d.Chain != nil {
		p.move(int(d.Chain.Start))
	}
	at := slices.IndexFunc(d.points, func(old configPoint) bool {
		return old.ID == p.ID &&
			old.fromProfile
	})
	if at < 0 {
		d.points = append(d.points, p)
		return
	}
	d.points[at] = p
}

// move shifts a point of a chain to where its model begins.
func (p *configPoint) move(by int) {
	if int(p.Register.Address)+p.Register.Type.Words()+by > 65536 {
		p.wrong(p.at("register"), "its address counts from the first register of the model",
			"%q ends beyond the last register", strconv.Quote(string(p.ID)))
		return
	}
	p.Register.Address += uint16(by)
	if e := p.Register.Exponent; e != nil && int(*e)+by <= 65535 {
		moved := *e + uint16(by)
		p.Register.Exponent = &moved
	}
}
