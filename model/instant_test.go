package model

import (
	"testing"
	"time"
)

func TestTimesFallIntoTheBootThatRanThen(t *testing.T) {
	day := time.Date(2025, 11, 8, 0, 0, 0, 0, time.UTC)
	boot := func(n uint32, wall time.Time) Boot {
		return Boot{Number: n, Estimates: []ClockEstimate{{Wall: wall.UnixNano(), Source: ClockSynchronised}}}
	}
	clock := Clock{Boots: []Boot{boot(1, day), {Number: 2}, boot(3, day.Add(10*time.Hour))}}
	for hour, want := range map[time.Duration]Instant{-1: {Boot: 1}, 2: {Boot: 1, Offset: 2 * time.Hour}, 11: {Boot: 3, Offset: time.Hour}} {
		if got, ok := clock.Place(day.Add(hour * time.Hour)); !ok || got != want {
			t.Errorf("hour %d is placed at %v, %v; want %v", hour, got, ok, want)
		}
	}
}
