package running

import (
	"cmp"

	"tickover/model"
)

// thresholds are the limits of the votes, scaled to one set. All are common
// practice or derived from what such engines can physically do: a starter turns
// an engine at no more than 300 r/min, no engine idles below 550 r/min.
type thresholds struct {
	frequency, speed, volts float64 // rated: Hz, 1/s, V to neutral
	load, amps              float64 // what counts as load: W, A; 0 means not to be told
	nominal                 float64 // V of the battery; 0 means tell it from the measured
}

const (
	turnsAbove   = 0.5   // 1/s, 30 r/min
	standsBelow  = 0.3   // 1/s
	firesAbove   = 0.28  // of rated speed, above any starter
	cranksBelow  = 0.20  // of rated speed
	idleAbove    = 0.36  // of rated speed, below any idle
	ratedAbove   = 0.92  // of rated speed
	ratedBelow   = 0.88  // of rated speed: hysteresis
	slowing      = 0.02  // of rated speed per second
	steadyWithin = 0.012 // of rated speed per second
	liveVolts    = 30.0  // below it meters find no frequency
	deadVolts    = 10.0  // above what residual magnetism gives
	excited      = 0.20  // of rated voltage
	oilTurns     = 0.5e5 // Pa
	oilStands    = 0.2e5 // Pa, above a sensor's offset
	oilSinks     = 0.7   // of the pressure while the speed was last seen
	loadedAbove  = 0.02  // of rating
	loadedBelow  = 0.015
	unratedWatts = 500.0

	// Of a 12 V battery, V.
	dipBelow     = 11.7 // and at least dipBy under its rest voltage
	dipBy        = 1.0
	dipUnrested  = 10.8 // when the rest voltage was never seen
	dipOver      = 0.4  // above the dip's limit it is over
	restAtMost   = 12.8
	disconnected = 5.0
	charging     = 13.4
	sinkBy       = 0.2  // below its level of late it is charged no longer
	levelFalls   = 0.01 // V/s by which that level is forgotten
	notCharging  = 13.0
)

func newThresholds(r model.Rating) thresholds {
	f := thresholds{frequency: r.Frequency, speed: r.Speed(), volts: r.PhaseVoltage(),
		nominal: r.Battery}
	f.frequency = cmp.Or(f.frequency, 50)
	f.speed = cmp.Or(f.speed, f.frequency/2)
	f.volts = cmp.Or(f.volts, 230)
	f.load = loadedAbove * r.ActivePower()
	f.load = cmp.Or(f.load, unratedWatts)
	f.amps = loadedAbove * r.Current()
	f.amps = cmp.Or(f.amps, 1)
	return f
}

// scale is the battery's nominal voltage over 12 V.
func (f *thresholds) scale(measured float64) float64 {
	switch {
	case f.nominal > 0:
		return f.nominal / 12
	case measured > 18:
		return 2
	}
	return 1
}
