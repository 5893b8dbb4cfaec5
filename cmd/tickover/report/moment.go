package report

import (
	"fmt"
	"time"

	"tickover/cmd/tickover/chart"
	"tickover/model"
)

// dating turns instants into times of day and into times since the run began.
type dating struct {
	chart.Axis
	long bool // the run lasts over midnight: days are written too
}

func datingOf(rec *model.RunRecord, clock model.Clock) dating {
	d := dating{Axis: chart.Axis{Clock: clock, Start: rec.Run.Started}}
	first, known := d.Wall(rec.Run.Started)
	last, _ := d.Wall(d.end(rec))
	d.long = known && first.YearDay() != last.YearDay()
	return d
}

// end is the last instant the record speaks of.
func (d dating) end(rec *model.RunRecord) model.Instant {
	last := rec.Run.Ended
	if last.IsZero() {
		last = rec.Run.Started
		for _, s := range rec.Run.States {
			if last.Before(s.To) {
				last = s.To
			}
		}
	}
	return last
}

// when writes the time of day in UTC, or a dash when no clock knew it.
func (d dating) when(i model.Instant) string {
	w, ok := d.Wall(i)
	if !ok {
		return "–"
	}
	if d.long {
		return w.Format("01-02 15:04:05")
	}
	return w.Format("15:04:05")
}

// into writes how far into the run an instant lies; in another boot, when the
// gap between is not known, how far into that boot.
func (d dating) into(i model.Instant) string {
	if span, ok := d.Since(i); ok {
		return clockwise(span)
	}
	if i.IsZero() {
		return "–"
	}
	return fmt.Sprintf("boot %d + %s", i.Boot, clockwise(i.Offset))
}

// gap says for how long the logger was off between two boots; "" within one.
func (d dating) gap(from, to model.Instant) string {
	if from.IsZero() || from.Boot == to.Boot {
		return ""
	}
	before, _ := d.Clock.Boot(from.Boot)
	next, _ := d.Clock.Boot(to.Boot)
	if off, ok := d.Clock.Off(before, next); ok {
		return "the logger was off for " + model.Lasting(off.Round(time.Second))
	}
	return "the logger was off for an unknown time"
}

// staged is a state of the engine with what came before it.
type staged struct {
	model.StateSpan
	Gap string // why the record breaks off before it; empty when it does not
}

// states lists the states with the gaps between boots.
func (d dating) states(spans []model.StateSpan) (all []staged) {
	var last model.Instant
	for _, s := range spans {
		all, last = append(all, staged{s, d.gap(last, s.From)}), s.To
	}
	return all
}

// clockwise writes a span as h:mm:ss.
func clockwise(span time.Duration) string {
	sign := ""
	if span < 0 {
		sign, span = "−", -span
	}
	s := int64(span.Round(time.Second) / time.Second)
	return fmt.Sprintf("%s%d:%02d:%02d", sign, s/3600, s/60%60, s%60)
}

// stamp writes an instant in full for the head of the report.
func (d dating) stamp(i model.Instant) string {
	if i.IsZero() {
		return "not seen"
	}
	return d.Clock.Date(i)
}
