package running

import (
	"time"

	"tickover/model"
)

// pace follows how the speed changes.
type pace struct {
	rate  float64 // of rated
	at    model.Instant
	by    model.PointID
	slope float64 // of rated per second
	known bool    // a slope is known
	calm  time.Duration
	low   int           // readings in a row below rated speed, or without voltage after it
	from  model.Instant // last reading before the speed began to fall; zero: it does not
	oil   float64       // Pa while the speed was last seen; 0 means not read
	gone  bool          // the speed is out of sight for want of voltage, for less than keptUnseen
}

const (
	// paceOver is the least time between two speeds to make a slope of.
	paceOver = 400 * time.Millisecond
	// keptUnseen is for how long the pace counts after the voltage is gone: no
	// engine takes longer from there to rest.
	keptUnseen = 10 * time.Second
)

// follow takes the speed of a view. A change of witness starts again.
func (p *pace) follow(v *view) {
	if !v.seen {
		p.lose(v)
		return
	}
	p.gone = false
	if !v.in.fresh(v.by) {
		return
	}
	p.low++
	if v.rate >= ratedBelow {
		p.low = 0
	}
	now := v.in.now
	gap, same := now.Sub(p.at)
	if p.at.IsZero() || !same || p.by != v.by || gap > 30*time.Second {
		// What another witness saw of the fall still counts, until this one shows more.
		fell := p.falling() && same && gap < keptUnseen
		*p = pace{rate: v.rate, at: now, by: v.by, slope: p.slope, known: fell, low: p.low,
			from: p.from, oil: p.oil}
		return
	}
	if gap < paceOver {
		return
	}
	p.slope, p.known = (v.rate-p.rate)/gap.Seconds(), true
	switch {
	case p.slope >= -steadyWithin:
		p.from = model.Instant{}
	case p.from.IsZero():
		p.from = p.at
	}
	p.rate, p.at = v.rate, now
	if p.slope > steadyWithin || p.slope < -steadyWithin {
		p.calm = 0
	} else {
		p.calm += gap
	}
}

// lose keeps the pace while the voltage is gone: a set that stops loses it long
// before it is at rest. Each reading without voltage counts as a low one.
func (p *pace) lose(v *view) {
	_, id := v.in.volts()
	if id == "" && v.discharges {
		// a meter that the set feeds is dark, and nothing charges any more
		id = model.BatteryVoltage
	}
	unseen, same := v.in.now.Sub(p.at)
	if id == "" || p.at.IsZero() || !same || unseen > keptUnseen {
		*p = pace{}
		return
	}
	p.gone = true
	if p.from.IsZero() {
		p.from = p.at
	}
	if v.in.fresh(id) {
		p.low++
	}
}

// sinking reports whether the speed is below rated on two readings, or by two
// witnesses: one reading alone may be garbled.
func (p *pace) sinking(v *view) bool {
	s, ok := v.in.get(model.SpeedPoint)
	second := v.discharges || ok && v.by == model.FrequencyPoint && s < ratedBelow*v.figures.speed
	return (p.gone || v.seen && v.rate < ratedBelow) && (p.low >= 2 || second)
}

// fell is for how long the speed has been falling; 0 when it does not.
func (p *pace) fell(now model.Instant) time.Duration {
	d, same := now.Sub(p.from)
	if p.from.IsZero() || !same {
		return 0
	}
	return d
}

// falling reports whether the speed goes down as without fuel.
func (p *pace) falling() bool { return p.known && p.slope < -slowing }
