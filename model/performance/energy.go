package performance

import (
	"fmt"
	"math"

	"tickover/model"
)

// counter follows a meter's energy counter through roll-overs and resets.
type counter struct {
	n, rolls, resets int
	first, last      float64 // J
	gained, back     float64 // J that it counted on, and back
	// J, the smallest step seen: its resolution at best; 0: it never moved
	least  float64
	ranges []float64 // J, what it can hold before it rolls over
}

// decades are the counts at which counters with so many digits roll over.
var decades = []float64{1e5, 1e6, 1e7, 1e8, 1e9}

// capacity lists what the counter of a point may hold: a full register, or a
// display's digits.
func capacity(sensors []model.Point) []float64 {
	for _, p := range sensors {
		if p.ID != model.EnergyActive || !p.Register.Resolution.Known() {
			continue
		}
		one := float64(p.Register.Resolution.Num) / float64(p.Register.Resolution.Den)
		bits := map[model.RegisterType]float64{
			model.Uint16: 16, model.Int16: 15, model.Uint32: 32, model.Int32: 31,
		}[p.Register.Type]
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

// fell decides why a counter fell. One that starts again at the end of its range
// was within a thousandth of what it holds, and now is as near to nothing. One that
// was reset has lost more than half of what it showed. Any other runs backwards.
func (c *counter) fell(v float64) {
	for _, full := range c.ranges {
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

// energy is what was delivered: by the meter's counter where that is finer, else by
// the readings; then by each of the two and how far they are apart.
func (r *recorder) energy() []model.Figure {
	sum, count := r.integral(), r.counted()
	best := sum
	switch {
	case count.Known && count.Bound == model.Exact &&
		(count.Uncertainty <= sum.Uncertainty || sum.Bound != model.Exact):
		best = count
		best.Note = "by the meter's counter; " + count.Note
	default:
		best.Note = "integrated from readings; " + sum.Note
	}
	best.Name = "energy delivered"
	return []model.Figure{best, sum, count, r.agreement(sum, count)}
}

// integral is the energy by the readings. Between two of them the load lay between
// what they show, as far as it changed once.
func (r *recorder) integral() model.Figure {
	s := &r.soakLog
	good := r.gain(r.in.Rating.ActivePower(), model.PowerActive)
	f := number("energy integrated from readings", "kWh", s.joules/3.6e6, "")
	f.Uncertainty = (s.between + good.gain*math.Abs(s.joules)) / 3.6e6
	f.Note = "loads shorter than the reading interval are missed; " + good.text
	if s.missing > 0 {
		f.Bound = model.AtLeast
		f.Note += fmt.Sprintf("; %s s without readings are not included",
			short(math.Round(s.missing)))
	}
	return f
}

// counted is the energy by the meter's counter, good for one step of it at each end.
func (r *recorder) counted() model.Figure {
	c := &r.soakLog.counter
	const name = "energy by the meter's counter"
	if c.n < 2 {
		return model.NotKnown(name, "", "kWh", "the meter's energy counter is not read")
	}
	good := r.gain(r.in.Rating.ActivePower(), model.PowerActive)
	f := number(name, "kWh", c.gained/3.6e6, "")
	f.Uncertainty, f.Note = (c.least+good.gain*c.gained)/3.6e6, good.text
	switch {
	case c.least == 0 && c.resets+c.rolls == 0 && c.back == 0:
		return model.NotKnown(name, "", "kWh", "the counter did not move")
	case c.back > 2*c.least:
		return model.NotKnown(
			name,
			"",
			"kWh",
			fmt.Sprintf("the counter ran backwards by %s kWh: check the current transformers",
				short(c.back/3.6e6)),
		)
	case c.resets > 0:
		f.Bound = model.AtLeast
		f.Note = fmt.Sprintf(
			"the counter was reset %d times, energy before each reset may be missing; %s", c.resets,
			good.text)
	case c.rolls > 0:
		f.Note = fmt.Sprintf("the counter rolled over %d times, corrected; %s",
			c.rolls, good.text)
	}
	return f
}

// agreement holds the integral against the counter. Both are of one meter, whose
// gain cancels.
func (r *recorder) agreement(sum, count model.Figure) model.Figure {
	const name = "integral against the counter"
	c, s := &r.soakLog.counter, &r.soakLog
	switch {
	case !count.Known:
		return model.NotKnown(name, "", "%", count.Reason)
	case count.Bound == model.AtLeast:
		return model.NotKnown(name, "", "%", "the counter was reset during the run")
	case c.gained < 10*c.least:
		return model.NotKnown(name, "", "%", "the counter moved too little")
	}
	f := number(name, "%", 100*(sum.Value-count.Value)/count.Value, "")
	f.Uncertainty = 100 * (c.least + s.between) / c.gained
	f.Note = "the counter includes loads between readings"
	return f
}
