package running

import "tickover/model"

// battery watches the starter battery for the dip of a crank.
type battery struct {
	known bool
	volts float64
	scale float64 // nominal over 12 V
	rest  float64 // V before the dip; 0 means not seen yet
	dip   bool
}

// restShare is how much of each reading goes into the rest voltage.
const restShare = 0.2

func (b *battery) follow(in *inputs, f *figures, state model.EngineState) {
	v, ok := in.get(model.BatteryVoltage)
	b.known = ok && v >= disconnected
	if !b.known {
		b.dip = false
		return
	}
	b.volts = v
	b.scale = f.scale(v)
	if !in.fresh(model.BatteryVoltage) {
		return
	}
	limit := b.limit()
	if b.dip {
		limit += dipOver * b.scale
	}
	b.dip = v < limit
	if b.dip || state == model.Cranking {
		return
	}
	calm := min(v, restAtMost*b.scale)
	if b.rest == 0 {
		b.rest = calm
	}
	b.rest += restShare * (calm - b.rest)
}

// limit is the voltage under which only a starter can pull the battery. The
// fall from charging to rest at a stop stays above it.
func (b *battery) limit() float64 {
	if b.rest == 0 {
		return dipUnrested * b.scale
	}
	return min(dipBelow*b.scale, b.rest-dipBy*b.scale)
}
