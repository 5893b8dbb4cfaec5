package chart

import (
	"time"

	"tickover/model"
)

// Axis turns instants into seconds from the left edge of a drawing, and into
// times of day where a clock knew them.
type Axis struct {
	Clock model.Clock
	Start model.Instant // the left edge
}

// Wall returns the time of day in UTC; false when no clock knew it.
func (a Axis) Wall(i model.Instant) (time.Time, bool) {
	if i.IsZero() {
		return time.Time{}, false
	}
	w, source := a.Clock.Wall(i)
	return w, source != model.ClockUnknown
}

// Since counts from the start. It reports false when the instant belongs to
// another boot and no clock that is vouched for dates both.
func (a Axis) Since(i model.Instant) (time.Duration, bool) {
	if i.IsZero() || a.Start.IsZero() {
		return 0, false
	}
	if span, ok := i.Sub(a.Start); ok {
		return span, true
	}
	from, one := a.Clock.Wall(a.Start)
	to, two := a.Clock.Wall(i)
	return to.Sub(from), min(one, two).Vouched()
}
