package model

import "time"

// neighbour returns the boot that came next to one, before or after it; false
// when it is the first or the last of the table.
func (c Clock) neighbour(number uint32, after bool) (found Boot, ok bool) {
	for _, b := range c.Boots {
		nearer := !ok || (b.Number < found.Number) == after
		if b.Number != number && b.Number > number == after && nearer {
			found, ok = b, true
		}
	}
	return found, ok
}

// Off is how long the computer was off, or kept nothing, from the last thing
// kept of one boot until the next began. It is false when no clock that
// is vouched for dates both: two boots' own clocks say nothing of it.
func (c Clock) Off(before, next Boot) (time.Duration, bool) {
	from, known := c.Wall(Instant{before.Number, before.Last})
	to, alike := c.Wall(Instant{Boot: next.Number})
	off := to.Sub(from)
	return off, known.Vouched() && alike.Vouched() && off >= 0
}

// Back returns the instant so long before another. It reaches into the boots
// before; of time in between that is not known it takes none off, so that
// rather too much lies within the span than too little.
func (c Clock) Back(i Instant, by time.Duration) Instant {
	left := i.Offset - by // of the boot's own clock; below 0 it lies before the boot
	for left < 0 {
		before, ok := c.neighbour(i.Boot, false)
		here, known := c.Boot(i.Boot)
		if !ok || !known {
			return Instant{Boot: i.Boot}
		}
		if off, dated := c.Off(before, here); dated {
			left += off
		}
		if left >= 0 {
			return Instant{Boot: i.Boot}
		}
		i.Boot = before.Number
		left += before.Last
	}
	return Instant{i.Boot, left}
}

// Onward returns the instant that an offset beyond the end of its boot means
// in the boots that came later, by the same rule; the instant itself when it
// lies within its boot, or the computer was off for longer.
func (c Clock) Onward(i Instant) Instant {
	for {
		here, known := c.Boot(i.Boot)
		next, ok := c.neighbour(i.Boot, true)
		if !ok || !known || i.Offset <= here.Last {
			return i
		}
		left := i.Offset - here.Last
		if off, dated := c.Off(here, next); dated {
			left -= off
		}
		if left <= 0 {
			return i
		}
		i = Instant{next.Number, left}
	}
}
