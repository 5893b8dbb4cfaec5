package performance

import (
	"fmt"
	"math"

	"tickover/model"
)

// counter follows a meter's energy counter through roll-overs and resets.
type counter struct {
	n, rolls, resets int
	first, last      float64   // J
	gained, back     float64   // J that it counted on, and back
	least            float64   // J, the smallest step seen: its resolution at best; 0: it never moved
	spans            []float64 // J, what it can hold before it starts anew
}

// decades are the counts at which counters with so many digits start anew.
var decades = []float64{1e5, 1e6, 1e7, 1e8, 1e9}

// capacity lists what the counter of a point may hold: a full register, or a
// display's digits.
func capacity(sensors []model.Point) []float64 {
	for _, p := range sensors {
		if p.ID != model.EnergyActive || !p.Register.Resolution.Known() {
			continue
		}
		one := float64(p.Register.Resolution.Num) / float64(p.Register.Resolution.Den)
		bits := map[model.RegisterType]float64{model.Uint16: 16, model.Int16: 15, model.Uint32: 32, model.Int32: 31}[p.Register.Type]
		var list []float64
		if bits > 0 {
			list = append(list, math.Pow(2, bits)*one)
		}
		for _, d := range decades {
			list = append(list, d*one)
		}
		return list
	}
	return nil
}

func (c *counter) add(v float64) {
	if c.n++; c.n == 1 {
		c.first, c.last = v, v
		return
	}
	switch by := v - c.last; {
	case by > 0:
		c.gained += by
		if c.least == 0 || by < c.least {
			c.least = by
		}
	case by < 0:
		c.fell(v)
	}
	c.last = v
}

// fell tells apart why a counter fell. One that starts again at the end of its range
// was within a thousandth of what it holds, and now is as near to nothing. One that
// was reset has lost more than half of what it showed. Any other runs backwards.
func (c *counter) fell(v float64) {
	for _, full := range c.spans {
		if c.last > 0.999*full && c.last <= full && v < 0.001*full {
			c.rolls++
			c.gained += full - c.last + v
			return
		}
	}
	if v >= c.last/2 {
		c.back += c.last - v
		return
	}
	c.resets++
	c.gained += v
}

// energy tells what was delivered, twice where the meter counts.
func (r *recorder) energy() []model.Figure {
	s := &r.sheet
	whole := number("energy delivered", "kWh", s.joules/3.6e6, "")
	whole.Note = "integrated from readings; short loads between two of them are missed"
	if s.missing > 0 {
		whole.Bound = model.AtLeast
		whole.Note += fmt.Sprintf("; %s s without readings are left out", short(math.Round(s.missing)))
	}
	c := &s.counter
	const name = "energy by the meter's counter"
	if c.n < 2 {
		return []model.Figure{whole, model.NotKnown(name, "", "kWh", "the meter's counter is not read")}
	}
	count := number(name, "kWh", c.gained/3.6e6, "")
	count.Uncertainty = c.least / 3.6e6
	switch {
	case c.back > 2*c.least:
		count = model.NotKnown(name, "", "kWh", fmt.Sprintf("the counter ran backwards by %s kWh: look at the current transformers", short(c.back/3.6e6)))
	case c.resets > 0:
		count.Bound, count.Note = model.AtLeast, fmt.Sprintf("the counter was reset %d times: what it counted in between is not known", c.resets)
	case c.rolls > 0:
		count.Note = fmt.Sprintf("the counter started anew %d times at the end of its range, which is reckoned in", c.rolls)
	}
	return []model.Figure{whole, count, r.agreement(whole, count)}
}

// agreement holds the integral against the counter.
func (r *recorder) agreement(whole, count model.Figure) model.Figure {
	const name = "integral against the counter"
	switch {
	case !count.Known:
		return model.NotKnown(name, "", "%", count.Reason)
	case count.Bound == model.AtLeast:
		return model.NotKnown(name, "", "%", "the counter was reset during the run")
	case count.Value <= 0 || count.Value < 10*count.Uncertainty:
		return model.NotKnown(name, "", "%", "the counter moved too little to say")
	}
	f := number(name, "%", 100*(whole.Value-count.Value)/count.Value, "")
	f.Uncertainty = 100 * count.Uncertainty / count.Value
	f.Note = "the counter sees what lies between readings; up to 1.5 % apart was found on short runs read once a second"
	return f
}
