package running

import (
	"slices"
	"time"

	"tickover/model"
)

// calendar knows how long each boot was alive.
type calendar struct {
	boots []model.Boot
	ends  map[uint32]time.Duration
	all   []uint32 // in order
}

func newCalendar(changes []model.Event, last model.Instant, boots []model.Boot) calendar {
	c := calendar{boots: boots, ends: map[uint32]time.Duration{}}
	for _, e := range changes {
		c.alive(e.At)
	}
	c.alive(last)
	for _, b := range boots {
		c.alive(model.Instant{Boot: b.Number, Offset: b.Last})
	}
	for boot := range c.ends {
		c.all = append(c.all, boot)
	}
	slices.Sort(c.all)
	return c
}

func (c *calendar) alive(at model.Instant) {
	if !at.IsZero() {
		c.ends[at.Boot] = max(c.ends[at.Boot], at.Offset)
	}
}

func (c *calendar) end(boot uint32) time.Duration { return c.ends[boot] }

// begin is the first offset known of a boot, 0 when its row was not given.
func (c *calendar) begin(boot uint32) time.Duration {
	b, _ := model.Clock{Boots: c.boots}.Boot(boot)
	return b.First
}

// after returns the beginning of the next boot that anything is known of, at
// most the given one.
func (c *calendar) after(boot, atMost uint32) model.Instant {
	for _, next := range c.all {
		if next > boot && next <= atMost {
			return model.Instant{Boot: next, Offset: c.begin(next)}
		}
	}
	return model.Instant{Boot: atMost}
}

// off is the time between two boots, 0 when either clock was not known.
func (c *calendar) off(boot, next uint32) time.Duration {
	clock := model.Clock{Boots: c.boots}
	from, one := clock.Wall(model.Instant{Boot: boot, Offset: c.end(boot)})
	to, two := clock.Wall(model.Instant{Boot: next, Offset: c.begin(next)})
	if !min(one, two).Vouched() {
		return 0
	}
	return max(0, to.Sub(from))
}
