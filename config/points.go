package config

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// configPoint is a point with the places of what it said.
type configPoint struct {
	model.Point
	section
	fromProfile bool
	placed      bool // the register was read without a mistake
}

var dottedWords = regexp.MustCompile(`^[a-z][a-z0-9]*(\.[a-z0-9]+)*$`)

// point reads one point. It reports false when there is nothing to go on with.
func (s *sourceText) point(n *yaml.Node) (configPoint, bool) {
	sec, ok := s.section(n, "the point", "point", "label", "quantity", "register", "type",
		"word order", "bit", "inverted",
		"one count is", "scale", "unit", "power of ten in", "missing", "plausible", "accuracy",
		"every", "fast",
		"sensor", "table", "calibration")
	if !ok || !sec.need("point") {
		return configPoint{}, false
	}
	p := configPoint{section: sec}
	id, ok := sec.dotted("point")
	if !ok {
		return p, false
	}
	p.ID = model.PointID(id)
	p.Label = sec.textOf("label")
	p.Quantity = sec.quantity(p.ID)
	if sec.values["every"] != nil {
		p.Every = sec.every()
	}
	p.Fast = tellsOfStarts(p.ID)
	if sec.values["fast"] != nil {
		p.Fast = sec.yes("fast")
	}
	sec.need("register")
	p.register()
	if p.Quantity == model.NoQuantity {
		return p, true
	}
	if p.sensed() {
		p.scaling()
	}
	p.bounds()
	return p, true
}

// tellsOfStarts reports whether a point is polled fast by default: it shows how a set
// starts and takes load.
func tellsOfStarts(id model.PointID) bool {
	switch id {
	case model.FrequencyPoint, model.BatteryVoltage, model.OilPressure, model.SpeedPoint:
		return true
	}
	return slices.Contains(model.PhaseVoltages[:], id)
}

// dotted reads an identifier of dotted words.
func (s section) dotted(key string) (string, bool) {
	t, ok := s.text(key)
	if ok && !dottedWords.MatchString(t) {
		s.wrong(s.at(key),
			"use lower-case letters and digits separated by dots, such as oil.pressure",
			"%q is not a valid name", t)
		return "", false
	}
	return t, ok
}

// quantity finds what a point measures: known by its name, or said.
func (s section) quantity(id model.PointID) model.Quantity {
	known, well := model.KnownQuantity(id)
	t, said := s.text("quantity")
	if s.values["quantity"] == nil {
		if !well {
			s.wrong(s.at("point"), "add quantity: with one of "+strings.Join(quantityNames(), ", "),
				"%q is not a well-known point and needs a quantity", id)
		}
		return known
	}
	if !said {
		return known
	}
	q, ok := model.QuantityNamed(t)
	switch {
	case !ok:
		s.wrong(s.at("quantity"), didYouMean(t, quantityNames()), "there is no quantity %q", t)
	case well && q != known:
		s.wrong(s.at("quantity"), "remove this line, or rename the point", "%s measures %s, not %s",
			id, known, q)
	default:
		return q
	}
	return known
}

func quantityNames() []string {
	var names []string
	for _, q := range model.Quantities() {
		names = append(names, q.String())
	}
	return names
}

// bounds reads what is plausible and how accurate the instrument is.
func (p *configPoint) bounds() {
	p.Class = p.difference("accuracy", p.Quantity)
	t, ok := p.text("plausible")
	if !ok {
		p.Low, p.High = usualWindow(p.ID)
		return
	}
	low, high, ok := p.span("plausible", t, p.Quantity)
	if !ok {
		return
	}
	if low == 0 && high == 0 {
		p.wrong(p.at("plausible"), "write the lowest and highest plausible value",
			"both ends are 0")
	}
	p.Low, p.High = low, high
}

// span reads "LOW..HIGH", each end with its unit.
func (s section) span(key, text string, q model.Quantity) (low, high float64, ok bool) {
	from, to, found := strings.Cut(text, "..")
	if !found {
		s.wrong(s.at(key), "write two values separated by .., such as 0 bar..10 bar",
			"%q is not a range", text)
		return 0, 0, false
	}
	for _, end := range []struct {
		text string
		v    *float64
	}{{from, &low}, {to, &high}} {
		if !s.plainNumber(s.at(key), end.text) {
			return 0, 0, false
		}
		v, err := model.ParseValue(strings.TrimSpace(end.text), q)
		if err != nil {
			s.refused(s.at(key), err)
			return 0, 0, false
		}
		*end.v = v
	}
	if low > high {
		s.wrong(s.at(key), "write the smaller value first", "%q is in the wrong order", text)
		return 0, 0, false
	}
	return low, high, true
}

// missing reads the patterns that mean "not implemented".
func (p *configPoint) missing() {
	texts, nodes := p.list("missing")
	bits := 16 * p.Register.Type.Words()
	for i, t := range texts {
		if !p.plainNumber(nodes[i], t) {
			continue
		}
		digits, base := strings.TrimSpace(t), 10
		if hex, ok := strings.CutPrefix(digits, "0x"); ok {
			digits, base = hex, 16
		}
		v, err := strconv.ParseUint(digits, base, bits)
		if err != nil {
			p.wrong(nodes[i],
				fmt.Sprintf("write the raw register as one number of %d bits, such as 0x8000",
					bits), "%q is not a raw value of this type", t)
			continue
		}
		p.Register.Missing = append(p.Register.Missing, v)
	}
}
