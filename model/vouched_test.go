package model

import (
	"testing"
	"time"
)

// A board without a clock battery: what it kept before the network came is
// dated by the next boot that a clock vouches for, never by its own guess.
func TestADateThatNothingVouchesFor(t *testing.T) {
	wall := func(text string) int64 {
		at, err := time.Parse(time.DateTime, text)
		if err != nil {
			t.Fatal(err)
		}
		return at.UnixNano()
	}
	guess := []ClockEstimate{{At: 5 * time.Second, Wall: wall("1970-01-01 00:00:05"), Source: ClockUnsynchronised}}
	known := []ClockEstimate{{At: 30 * time.Second, Wall: wall("2026-11-29 12:03:30"), Source: ClockSynchronised}}
	cut, back := Boot{Number: 1, Last: 4 * time.Minute, Estimates: guess}, Boot{Number: 2, First: 3 * time.Second, Last: time.Hour, Estimates: known}
	for _, c := range []struct {
		name  string
		boots []Boot
		at    Instant
		want  string
	}{
		{"vouched for", []Boot{cut, back}, Instant{2, time.Minute}, "2026-11-29 12:04:00 UTC"},
		{"before a boot that is", []Boot{cut, back}, Instant{1, time.Minute}, "before 2026-11-29 12:03:03 UTC"},
		{"no clock at all, before a boot that is", []Boot{{Number: 1}, {Number: 2, Estimates: guess}, {Number: 3, Estimates: known}}, Instant{1, 0}, "before 2026-11-29 12:03:00 UTC"},
		{"nothing after it", []Boot{cut}, Instant{1, time.Minute}, "1970-01-01 00:01:00 UTC by a clock that nothing vouches for"},
		{"no clock at all", []Boot{{Number: 1}}, Instant{1, 20*time.Minute + 1400*time.Millisecond}, "time of day not known (boot 1, 20 min 1 s after it began)"},
	} {
		if got := (Clock{Boots: c.boots}).Date(c.at); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}
