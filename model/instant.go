package model

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Instant is a moment on one boot's own clock. A small computer without a
// clock battery cannot date a sample when it takes it, but it can always say
// how long after boot it was taken.
//
// The zero value means "never".
type Instant struct {
	Boot   uint32        // number of the boot in the store's table, from 1; 0 means never
	Offset time.Duration // CLOCK_BOOTTIME since that boot, ns
}

// IsZero reports whether the instant means "never".
func (i Instant) IsZero() bool { return i.Boot == 0 }

// Compare orders instants by boot, then by offset.
func (i Instant) Compare(j Instant) int {
	switch {
	case i.Boot < j.Boot:
		return -1
	case i.Boot > j.Boot:
		return 1
	case i.Offset < j.Offset:
		return -1
	case i.Offset > j.Offset:
		return 1
	}
	return 0
}

// Before reports whether i comes before j.
func (i Instant) Before(j Instant) bool { return i.Compare(j) < 0 }

// Add returns the instant d later on the same boot.
func (i Instant) Add(d time.Duration) Instant { return Instant{i.Boot, i.Offset + d} }

// Sub returns i-j. It reports false when they belong to different boots: the
// time in between is then not known from these clocks.
func (i Instant) Sub(j Instant) (time.Duration, bool) {
	return i.Offset - j.Offset, i.Boot == j.Boot
}

// String writes boot and offset, as in "3+1h2m3s".
func (i Instant) String() string {
	if i.IsZero() {
		return "never"
	}
	return fmt.Sprintf("%d+%s", i.Boot, i.Offset)
}

// ClockSource says how a wall-clock estimate was known, worst first.
type ClockSource uint8

// The sources of wall time.
const (
	ClockUnknown        ClockSource = iota // no estimate at all
	ClockUnsynchronised                    // the system clock, which nothing vouches for
	ClockRTC                               // a battery-backed clock
	ClockPhone                             // a person's telephone
	ClockSynchronised                      // the kernel says it is synchronised
	ClockSimulated                         // made up for a demonstration
)

var clockSources = []string{"unknown", "unsynchronised", "real-time clock", "phone", "synchronised", "simulated"}

// String names the source in words.
func (s ClockSource) String() string { return word(clockSources, int(s)) }

// Vouched reports whether a time known so may be held against another boot's.
func (s ClockSource) Vouched() bool { return s >= ClockRTC }

// ClockEstimate is one opinion about a boot's wall time.
type ClockEstimate struct {
	At     time.Duration // offset on the boot's clock when the estimate was made, ns
	Wall   int64         // wall time at that offset, ns since 1970 UTC
	Source ClockSource
}

// Boot is one row of the store's table of boots.
type Boot struct {
	Number    uint32 // from 1, in the order the store met them
	Kernel    string // the kernel's boot id; "simulated" for demonstrations
	First     time.Duration
	Last      time.Duration   // offsets of the first and last thing kept, ns
	Estimates []ClockEstimate // in the order made
}

// Clock turns instants into wall time with the best estimate of their boot.
// The zero value knows no boot.
type Clock struct{ Boots []Boot }

// Boot returns the row of a boot; false when it is not in the table.
func (c Clock) Boot(number uint32) (Boot, bool) {
	i := slices.IndexFunc(c.Boots, func(b Boot) bool { return b.Number == number })
	if i < 0 {
		return Boot{}, false
	}
	return c.Boots[i], true
}

// Best returns the estimate to date a boot by: of the best source, the latest.
func (b Boot) Best() (ClockEstimate, bool) {
	var best ClockEstimate
	for _, e := range b.Estimates {
		if e.Source >= best.Source {
			best = e
		}
	}
	return best, best.Source != ClockUnknown
}

// Wall returns the UTC wall time of i and how it is known. The time is zero
// and the source ClockUnknown when the boot has no estimate.
func (c Clock) Wall(i Instant) (time.Time, ClockSource) {
	b, ok := c.Boot(i.Boot)
	if !ok {
		return time.Time{}, ClockUnknown
	}
	e, ok := b.Best()
	if !ok {
		return time.Time{}, ClockUnknown
	}
	return time.Unix(0, e.Wall).Add(i.Offset - e.At).UTC(), e.Source
}

// Before returns a time of day that i lies before: the beginning of the first
// later boot whose clock is vouched for. It is false when i itself is dated by
// a clock that is vouched for, or no later boot is.
func (c Clock) Before(i Instant) (time.Time, bool) {
	if _, source := c.Wall(i); source.Vouched() || i.IsZero() {
		return time.Time{}, false
	}
	for next, ok := c.neighbour(i.Boot, true); ok; next, ok = c.neighbour(next.Number, true) {
		if at, source := c.Wall(Instant{next.Number, next.First}); source.Vouched() {
			return at, true
		}
	}
	return time.Time{}, false
}

// Date writes an instant's date and time of day in UTC, and says what is known
// of it when no clock vouches for it.
func (c Clock) Date(i Instant) string {
	const layout = "2006-01-02 15:04:05 UTC"
	at, source := c.Wall(i)
	if before, ok := c.Before(i); ok {
		return "before " + before.Format(layout)
	}
	switch {
	case source.Vouched():
		return at.Format(layout)
	case source == ClockUnsynchronised:
		return at.Format(layout) + " by a clock that nothing vouches for"
	}
	return fmt.Sprintf("time of day not known (boot %d, %s after it began)", i.Boot, Lasting(i.Offset.Truncate(time.Second)))
}

// Place returns the instant of a wall time: in the latest boot that had begun
// by then, else in the first that is dated. False when none is.
func (c Clock) Place(t time.Time) (Instant, bool) {
	var found Instant
	for _, b := range c.Boots {
		e, ok := b.Best()
		if !ok {
			continue
		}
		offset := e.At + t.Sub(time.Unix(0, e.Wall))
		if found.IsZero() || offset >= b.First {
			found = Instant{Boot: b.Number, Offset: max(offset, 0)}
		}
	}
	return found, !found.IsZero()
}

// Between returns the spans whose wall time lies from one moment until before
// another, one for each dated boot that reaches into it, in the order of
// boots. Boots may claim the same time, or one boot a later time than its
// successor: each answers for itself. A zero time means without end.
func (c Clock) Between(from, to time.Time) []Span {
	var spans []Span
	for _, b := range c.Boots {
		e, ok := b.Best()
		if !ok {
			continue
		}
		begin := time.Unix(0, e.Wall).Add(-e.At)
		s := Span{Instant{Boot: b.Number}, Instant{Boot: b.Number + 1}}
		if !from.IsZero() {
			s.From.Offset = max(from.Sub(begin), 0)
		}
		if !to.IsZero() {
			s.To = Instant{Boot: b.Number, Offset: to.Sub(begin)}
		}
		if s.From.Before(s.To) {
			spans = append(spans, s)
		}
	}
	return spans
}

// Lasting writes a time as people say it, such as "1 h 22 min" or "0.3 s".
func Lasting(d time.Duration) string {
	if d < 0 {
		return "−" + Lasting(-d)
	}
	var words []string
	for _, unit := range []struct {
		long time.Duration
		name string
	}{{time.Hour, "h"}, {time.Minute, "min"}} {
		if n := d / unit.long; n > 0 {
			words, d = append(words, fmt.Sprintf("%d %s", n, unit.name)), d%unit.long
		}
	}
	if d > 0 || len(words) == 0 {
		words = append(words, fmt.Sprintf("%g s", d.Seconds()))
	}
	return strings.Join(words, " ")
}

// word names an enumeration's value.
func word(names []string, i int) string {
	if i >= 0 && i < len(names) {
		return names[i]
	}
	return fmt.Sprintf("value %d", i)
}
