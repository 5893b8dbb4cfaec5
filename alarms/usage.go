package alarms

import (
	"math"
	"time"

	"tickover/model"
)

// How sure the rate must be at which something is used up: readings over ten
// minutes, a fall of 2 % of the whole and of four times what the readings'
// scatter could feign, so that neither a float that sloshes nor a last digit
// counts as consumption. A tank over an eighth that lost less than 2 % in half
// an hour lasts for two hours more. All derived.
const (
	usageWindow  = 30 * time.Minute
	usageLeast   = 10 * time.Minute
	usageFall    = 0.02
	usageScatter = 4
	refilled     = 0.05 // of the whole, above the least of the window
)

// notYetUsed says why no time is shown.
const notYetUsed = "not determined yet: the level must fall for 10 min, by 2 % and by more than " +
	"its scatter"

// usage is for how many seconds a share of a whole (1 is full) lasts at the
// rate of late. The last sure rate holds until another one is: after a refill
// it shows how long the new filling lasts.
type usage struct {
	levels *slope
	rate   float64 // of the whole, a second; 0 means not yet known
}

func newUsage(window time.Duration) *usage {
	if window <= 0 {
		window = usageWindow
	}
	return &usage{levels: newSlope(window)}
}

func (u *usage) forget() {
	u.levels.forget()
	u.rate = 0
}

func (u *usage) add(e *engine, at model.Instant, v float64) (float64, bool) {
	s := u.levels
	for _, held := range s.v[:s.n] {
		if v > held+refilled {
			s.forget()
			break
		}
	}
	s.add(e, at, v)
	span := elapsed(s.at[0], at)
	if rate, scatter := s.fit(at); span >= usageLeast && -rate*span.Seconds() >= usageFall &&
		-rate >= usageScatter*scatter {
		u.rate = -rate
	}
	if u.rate == 0 {
		return 0, false
	}
	return math.Max(v, 0) / u.rate, true
}
