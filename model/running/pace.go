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
	low   int // readings in a row below rated speed
}

// paceOver is the least time between two speeds to make a slope of.
const paceOver = 400 * time.Millisecond

// follow takes the speed of a view. A change of witness starts anew.
func (p *pace) follow(v *view) {
	if !v.seen || !v.in.fresh(v.by) {
		if !v.seen {
			*p = pace{}
		}
		return
	}
	p.low++
	if v.rate >= ratedBelow {
		p.low = 0
	}
	now := v.in.now
	gap, same := now.Sub(p.at)
	if p.at.IsZero() || !same || p.by != v.by || gap > 30*time.Second {
		*p = pace{rate: v.rate, at: now, by: v.by, low: p.low}
		return
	}
	if gap < paceOver {
		return
	}
	p.slope, p.known = (v.rate-p.rate)/gap.Seconds(), true
	p.rate, p.at = v.rate, now
	if p.slope > steady || p.slope < -steady {
		p.calm = 0
	} else {
		p.calm += gap
	}
}

// sinking reports whether the speed is below rated on two readings, or by two
// witnesses: one reading alone may be garbled.
func (p *pace) sinking(v *view) bool {
	s, ok := v.in.get(model.SpeedPoint)
	second := ok && v.by == model.FrequencyPoint && s < ratedBelow*v.figures.speed
	return v.seen && v.rate < ratedBelow && (p.low >= 2 || second)
}

// falling reports whether the speed goes down as without fuel.
func (p *pace) falling() bool { return p.known && p.slope < -slowing }
