package collector

import (
	"math"
	"time"

	"tickover/model"
)

// How long the fast points are polled as fast as the line allows.
const (
	afterRated  = 60 * time.Second // after rated speed was reached
	afterStep   = 30 * time.Second // after a load step
	afterSign   = 15 * time.Second // after a first sign of cranking, if nothing comes of it
	afterKey    = 5 * time.Minute  // after key-on, if nothing comes of it
	longestIdle = 15 * time.Minute // of running up and idling before rated speed
	batteryDip  = 0.06             // of the nominal voltage, from one reading to the next: a starter draws
	turningRate = 0.5              // 1/s: something turns
	aliveHertz  = 5                // Hz: the alternator has voltage
	stepShare   = 0.05             // of the rating, from one reading to the next: a load step (common practice: steps are 10 % and more)
)

// burst decides when to poll the fast points as fast as the line allows. It
// takes scans and has no clock of its own.
type burst struct {
	rating   model.Rating
	last     map[model.PointID]float64 // newest good values of the points looked at
	state    model.EngineState
	starting model.Instant // when the start under way began; zero when none is
}

func newBurst(r model.Rating) *burst {
	return &burst{rating: r, last: map[model.PointID]float64{}}
}

// step takes a scan with the state that was derived from it and returns for
// how long from now on the burst shall last, 0 when the scan gives no cause.
func (b *burst) step(scan *model.Scan, state model.EngineState) time.Duration {
	hold := b.turn(scan.At, state)
	for _, s := range scan.Samples {
		if s.Quality != model.Good {
			continue
		}
		before, known := b.last[s.Point]
		if d := b.sign(s, before, known); d > 0 {
			hold = max(hold, d)
		}
		if watched(s.Point) {
			b.last[s.Point] = s.Value
		}
	}
	return hold
}

// watched reports whether a point's change can begin a burst.
func watched(id model.PointID) bool {
	switch id {
	case model.KeyOn, model.BatteryVoltage, model.SpeedPoint, model.FrequencyPoint, model.PowerActive,
		model.CurrentL1, model.CurrentL2, model.CurrentL3:
		return true
	}
	return false
}

// turn follows the engine's state through a start.
func (b *burst) turn(at model.Instant, state model.EngineState) time.Duration {
	was := b.state
	b.state = state
	switch state {
	case model.Cranking, model.RunningUp, model.Idling:
		if was == model.Standstill || state == model.Cranking && was != model.Cranking {
			b.starting = at
		}
		since, same := at.Sub(b.starting)
		if b.starting.IsZero() || !same || since > longestIdle {
			return 0
		}
		return afterRated
	case model.Unloaded, model.Loaded:
		began := !b.starting.IsZero() || was == model.Standstill
		b.starting = model.Instant{}
		if began {
			return afterRated
		}
		if was.Running() && was != state {
			return afterStep
		}
	default:
		b.starting = model.Instant{}
	}
	return 0
}

// sign looks at one good sample and the good one before it.
func (b *burst) sign(s model.Sample, before float64, known bool) time.Duration {
	still := !b.state.Turning()
	switch s.Point {
	case model.KeyOn:
		if s.Value != 0 && (before == 0 && known || !known && still) {
			return afterKey
		}
	case model.BatteryVoltage:
		if known && still && b.rating.Battery > 0 && before-s.Value > batteryDip*b.rating.Battery {
			return afterSign
		}
	case model.SpeedPoint:
		if known && still && before < turningRate && s.Value >= turningRate {
			return afterSign
		}
	case model.FrequencyPoint:
		if known && still && before < aliveHertz && s.Value >= aliveHertz {
			return afterSign
		}
	case model.PowerActive:
		return b.load(s.Value-before, b.rating.ActivePower(), known)
	case model.CurrentL1, model.CurrentL2, model.CurrentL3:
		return b.load(s.Value-before, b.rating.Current(), known)
	}
	return 0
}

func (b *burst) load(change, rated float64, known bool) time.Duration {
	if known && rated > 0 && math.Abs(change) > stepShare*rated {
		return afterStep
	}
	return 0
}
