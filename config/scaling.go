package config

import (
	"fmt"
	"math/big"
	"strings"

	"tickover/model"
)

// scaling reads what the register's number means. Exactly one way must be
// said, save where a number alone can only mean one thing.
func (p *configPoint) scaling() {
	var said []string
	for _, key := range []string{"one count is", "scale", "unit"} {
		if p.values[key] != nil {
			said = append(said, key)
		}
	}
	float := p.Register.Type == model.Float32 || p.Register.Type == model.Float64
	switch {
	case len(said) > 1:
		p.wrong(p.at(said[1]), "keep one of them", "%q and %q both define the scale", said[0],
			said[1])
	case p.Register.Type == model.BitValue && len(said) == 1:
		p.wrong(p.at(said[0]), "remove this line", "a bit has no scale")
	case p.Register.Type == model.BitValue:
		p.Register.Resolution = model.Resolution{Num: 1, Den: 1}
	case len(said) == 0:
		p.unscaled(float)
	case said[0] == "scale":
		p.linear()
	case said[0] == "unit":
		p.inUnit(float)
	default:
		p.counted(float)
	}
	if p.Register.Type == model.Float32 && p.Register.Resolution.Known() {
		p.Register.Resolution.Single = true
	}
}

// unscaled settles a register without a scale: plain states and counts need
// none, everything else does.
func (p *configPoint) unscaled(float bool) {
	q := p.registered()
	switch {
	case q == model.State || q == model.Count:
		if !float {
			p.Register.Resolution = model.Resolution{Num: 1, Den: 1}
		}
	case float && q.Unit() == "":
	case p.misspelt["one count is"] || p.misspelt["scale"] || p.misspelt["unit"]:
	case float:
		p.wrong(p.at("register"), "add unit: with one of "+strings.Join(q.Units(), ", "),
			"the unit of %s in this register is missing", p.registeredID())
	default:
		p.wrong(p.at("register"),
			"add one count is: with its unit, or scale: counts 4000..20000 mean 0 bar..10 bar",
			"the scale of %s is missing", p.registeredID())
	}
}

// counted reads "one count is: 0.1 V".
func (p *configPoint) counted(float bool) {
	t, ok := p.text("one count is")
	if !ok || !p.plainNumber(p.at("one count is"), t) {
		return
	}
	if float {
		p.wrong(p.at("one count is"), "write unit: with the unit of the number",
			"%s holds a floating-point number, not counts", p.Register.Type)
		return
	}
	if p.registered() == model.Temperature && strings.HasSuffix(strings.TrimSpace(t), "°F") {
		p.wrong(p.at("one count is"),
			"write scale: counts 0..100 mean 0 °F..100 °F, with the device's figures",
			"a count in °F does not define the zero")
		return
	}
	res, err := model.ParseResolution(t, p.registered())
	if err != nil {
		p.refused(p.at("one count is"), err)
		return
	}
	p.Register.Resolution = res
}

// inUnit reads "unit: kW" of a floating-point number.
func (p *configPoint) inUnit(float bool) {
	t, ok := p.text("unit")
	if !ok {
		return
	}
	if !float {
		p.wrong(p.at("unit"), fmt.Sprintf("write one count is: 0.1 %s, with the device's figure",
			t), "%s holds counts and needs their size, not only the unit", p.Register.Type)
		return
	}
	res, ok := model.UnitResolution(p.registered(), t)
	if !ok {
		p.wrong(p.at("unit"), didYouMean(t, p.registered().Units()), "%q is not a unit of %s", t,
			p.registered())
		return
	}
	if res != (model.Resolution{Num: 1, Den: 1}) {
		p.Register.Resolution = res
	}
}

const scaleHint = "write it as counts 4000..20000 mean 0 bar..10 bar"

// linear reads "scale: counts 4000..20000 mean 0 bar..10 bar".
func (p *configPoint) linear() {
	t, ok := p.text("scale")
	if !ok {
		return
	}
	rest, ok := strings.CutPrefix(strings.TrimSpace(t), "counts ")
	left, right, found := strings.Cut(rest, " mean ")
	if !ok || !found {
		p.wrong(p.at("scale"), scaleHint, "%q is not a scale", t)
		return
	}
	counts, ok := p.ends(left, model.Count)
	if !ok {
		return
	}
	values, ok := p.ends(right, p.registered())
	if !ok {
		return
	}
	res, err := model.LinearResolution(counts[0], counts[1], values[0], values[1])
	if err != nil {
		p.wrong(p.at("scale"), scaleHint, "%q is not a scale: %v", t, err)
		return
	}
	p.Register.Resolution = res
}

// ends reads the two ends of a span without rounding.
func (p *configPoint) ends(text string, q model.Quantity) (ends [2]*big.Rat, ok bool) {
	from, to, found := strings.Cut(text, "..")
	if !found {
		p.wrong(p.at("scale"), scaleHint, "%q is not a range", text)
		return ends, false
	}
	for i, t := range []string{from, to} {
		if !p.plainNumber(p.at("scale"), t) {
			return ends, false
		}
		v, err := model.ParseExact(strings.TrimSpace(t), q)
		if err != nil {
			p.refused(p.at("scale"), err)
			return ends, false
		}
		ends[i] = v
	}
	return ends, true
}
