package wiring

import (
	"fmt"
	"math"
	"slices"
	"time"

	"tickover/model"
)

// tapsSeen follows the voltages of a set that turns by other signs than its
// voltages. Behind an open breaker there is nothing at all, while an
// alternator that is not excited keeps a residual voltage.
type tapsSeen struct {
	pickup   bool          // the engine's speed was seen, not only its oil pressure
	turned   model.Instant // when one of them last showed that it turns
	turns    bool
	with     int           // readings with voltage while it turned
	gone     model.Instant // since when there was none; zero when there is
	lasted   time.Duration // of that
	spells   int           // of ten seconds and more that ended with the voltages back
	longest  time.Duration
	atPickup time.Duration // the longest seen by the pickup, however it ended
}

// Bounds of a spell without voltage.
const (
	// of the phase voltage; residual voltage is 1 to 5 % (from memory)
	nothingLeft = 0.005
	turnsOil    = 1e5 // Pa, which an engine at rest does not hold
	// longer than oil pressure takes to fall after a stop (from memory)
	longGone  = 10 * time.Second
	freshSign = 5 * time.Second // how old the sign that it turns may be
)

// sign takes a reading that shows whether the engine turns.
func (s *tapsSeen) sign(sample model.Sample, at model.Instant, r model.Rating) {
	switch {
	case sample.Quality != model.Good:
	case sample.Point == model.SpeedPoint && r.Speed() > 0:
		s.pickup, s.turned, s.turns = true, at, math.Abs(sample.Value/r.Speed()-1) < ratedSpeed
	case sample.Point == model.OilPressure && !s.pickup:
		s.turned, s.turns = at, sample.Value > turnsOil
	}
}

// see takes the meter's voltages.
func (s *tapsSeen) see(m meterReading, at model.Instant, r model.Rating) {
	age, same := at.Sub(s.turned)
	if !allKnown(m.ln[:]...) || !same || age > freshSign || !s.turns {
		s.gone, s.lasted = model.Instant{}, 0
		return
	}
	high := slices.Max(m.ln[:])
	switch {
	case high < nothingLeft*phaseOf(r):
		if s.gone.IsZero() {
			s.gone = at
		}
		s.lasted, _ = at.Sub(s.gone)
		if s.pickup {
			s.atPickup = max(s.atPickup, s.lasted)
		}
	case high > 0.8*phaseOf(r):
		if s.with++; s.lasted >= longGone {
			s.spells, s.longest = s.spells+1, max(s.longest, s.lasted)
		}
		s.gone, s.lasted = model.Instant{}, 0
	default:
		s.gone, s.lasted = model.Instant{}, 0
	}
}

// voltageTaps finds voltages sensed below the breaker, or whose fuses opened.
func (w *Evidence) voltageTaps() model.Check {
	const code, title = "C38", "voltage is measured on the set's side of the breaker"
	s := w.taps
	long := max(s.longest, s.atPickup)
	switch {
	case s.with < least && long >= longGone:
		c := notDetermined(
			code,
			title,
			"the engine turned for "+model.Lasting(
				long)+" without voltage: not excited, or measured behind an open breaker",
		)
		c.Do = "measure the voltage at the alternator's terminals by hand"
		return c
	case s.with < least:
		return notDetermined(code, title,
			"needs voltages at rated speed, shown by a pickup or oil pressure")
	case long >= longGone:
		return check(
			code,
			title,
			true,
			fmt.Sprintf(
				"all voltages and the frequency were missing for up to %s while the engine turned",
				model.Lasting(long)),
			"connect the meter's voltages on the alternator's side of the breaker; behind an "+
				"open breaker, overvoltage and overspeed by frequency are not monitored. Check "+
				"the meter's fuses too",
		)
	}
	return check(code, title, false, "voltages were present whenever the engine turned", "")
}
