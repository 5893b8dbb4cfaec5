package model

import (
	"slices"
	"testing"
	"time"
)

// TestBetweenCrossesBoots asks for wall time over boots whose clocks were
// nine days fast, three hours slow, in 1970, set twice, and not known at all.
func TestBetweenCrossesBoots(t *testing.T) {
	day := func(d, h int) time.Time { return time.Date(2025, 11, d, h, 0, 0, 0, time.UTC) }
	boot := func(n uint32, hours int, estimates ...ClockEstimate) Boot {
		return Boot{Number: n, Last: time.Duration(hours) * time.Hour, Estimates: estimates}
	}
	says := func(at time.Duration, wall time.Time, s ClockSource) ClockEstimate {
		return ClockEstimate{At: at, Wall: wall.UnixNano(), Source: s}
	}
	c := Clock{Boots: []Boot{
		boot(1, 10, says(0, day(10, 0), ClockUnsynchronised)),                                                // truly day 1: nine days fast
		boot(2, 48, says(0, day(2, 0), ClockSynchronised)),                                                   // day 2 and 3
		boot(3, 6, says(0, time.Unix(0, 0), ClockUnsynchronised)),                                            // 1970
		boot(4, 24, says(0, day(3, 21), ClockUnsynchronised), says(time.Hour, day(4, 1), ClockSynchronised)), // three hours slow, then right
		boot(5, 5), // nobody said
		boot(6, 24, says(0, day(10, 5), ClockPhone)), // claims hours of boot 1
	}}
	at := func(b uint32, h int) Instant { return Instant{b, time.Duration(h) * time.Hour} }
	all := func(from, to time.Time) (hits []Instant) {
		q := Query{}.During(c.Between(from, to))
		for _, b := range c.Boots {
			for h := 0; h < int(b.Last.Hours()); h++ {
				if i := at(b.Number, h); q.Within(i) {
					hits = append(hits, i)
				}
			}
		}
		return hits
	}
	for _, x := range []struct {
		from, to time.Time
		want     []Instant
	}{
		{day(3, 22), day(4, 2), []Instant{at(2, 46), at(2, 47), at(4, 0), at(4, 1)}},
		{day(10, 4), day(10, 7), []Instant{at(1, 4), at(1, 5), at(1, 6), at(6, 0), at(6, 1)}},
		{time.Unix(0, 0), time.Unix(7200, 0), []Instant{at(3, 0), at(3, 1)}},
		{day(20, 0), day(21, 0), nil},
		{day(11, 3), time.Time{}, []Instant{at(6, 22), at(6, 23)}},
	} {
		if got := all(x.from, x.to); !slices.Equal(got, x.want) {
			t.Errorf("%s to %s: %v, want %v", x.from, x.to, got, x.want)
		}
	}
	// Whatever is asked for lies within, and every dated instant of the time
	// asked for is found: by looking at each instant on its own.
	for h := range 400 {
		from := day(1, 0).Add(time.Duration(h) * time.Hour)
		to := from.Add(3 * time.Hour)
		var want []Instant
		for _, b := range c.Boots {
			for k := 0; k < int(b.Last.Hours()); k++ {
				if w, s := c.Wall(at(b.Number, k)); s != ClockUnknown && !w.Before(from) && w.Before(to) {
					want = append(want, at(b.Number, k))
				}
			}
		}
		if got := all(from, to); !slices.Equal(got, want) {
			t.Fatalf("from %s: %v, want %v", from, got, want)
		}
	}
}
