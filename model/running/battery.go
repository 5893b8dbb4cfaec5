package running

import "tickover/model"

// battery follows the starter battery for the dip of a crank.
type battery struct {
	known bool
	volts float64
	scale float64 // nominal over 12 V
	rest  float64 // V before the dip; 0 means not seen yet
	dip   bool

	level float64       // V that it was charged to of late
	at    model.Instant // of the newest reading
}

// restShare is how much of each reading goes into the rest voltage.
const restShare = 0.2

func (b *battery) follow(in *inputs, f *thresholds, state model.EngineState) {
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
	gap, _ := in.now.Sub(b.at)
	b.level, b.at = max(v, b.level-levelFalls*b.scale*gap.Seconds()), in.now
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

// charges reports whether the battery is being charged. After a charger stops, the
// battery may stay above the limit for a minute, but it sinks.
func (b *battery) charges() bool {
	return b.volts >= charging*b.scale && b.volts > b.level-sinkBy*b.scale
}

// discharges reports whether the battery was charged of late and no longer is.
func (b *battery) discharges() bool {
	return b.known && b.level >= charging*b.scale && !b.charges()
}

// limit is the voltage under which only a starter can pull the battery. The
// fall from charging to rest at a stop stays above it.
func (b *battery) limit() float64 {
	if b.rest == 0 {
		return dipUnrested * b.scale
	}
	return min(dipBelow*b.scale, b.rest-dipBy*b.scale)
}
