package performance

import (
	"strings"
	"testing"
	"time"
)

// TestTwoPollsAndABurst says what intervals can judge. The limits are those of ISO
// 8528-5 Table 4: recovery of the frequency within 10, 5 and 3 s for G1, G2 and G3,
// of the voltage within 10, 6 and 4 s.
func TestTwoPollsAndABurst(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		every, burst time.Duration
		frequency    bool
		room         [3]time.Duration
		why          string
		enough       time.Duration
	}{
		// the burst begins after the step, and a second without a reading lies before it
		{time.Second, 60 * ms, true, [3]time.Duration{}, "no readings for 1 s around the step", 500 * ms},
		{time.Second, 60 * ms, false, [3]time.Duration{}, "no readings for 1 s around the step", 500 * ms},
		{500 * ms, 60 * ms, true, [3]time.Duration{9380 * ms, 4380 * ms, 2380 * ms}, "", 0},
		{500 * ms, 60 * ms, false, [3]time.Duration{9380 * ms, 5380 * ms, 3380 * ms}, "", 0},
		// without a burst: three intervals, and one and a half more for a swing
		{time.Second, 0, true, [3]time.Duration{5500 * ms, 500 * ms, 0}, "", 500 * ms},
		{5 * time.Second, 0, true, [3]time.Duration{}, "", 500 * ms},
		{5 * time.Second, 60 * ms, false, [3]time.Duration{}, "no readings for 5 s around the step", 500 * ms},
	} {
		s := SightOf(c.every, c.burst, c.frequency)
		for i, room := range c.room {
			if s.Recovery[i].Room != room {
				t.Errorf("%s, burst %s, frequency %v: %s leaves %s, want %s", c.every, c.burst, c.frequency, s.Recovery[i].Class, s.Recovery[i].Room, room)
			}
		}
		if s.Why != c.why || s.Enough != c.enough {
			t.Errorf("%s, burst %s, frequency %v: %q, enough %s; want %q, %s", c.every, c.burst, c.frequency, s.Why, s.Enough, c.why, c.enough)
		}
	}
	limits := [3]time.Duration{10 * time.Second, 5 * time.Second, 3 * time.Second}
	for i, c := range SightOf(time.Second, 0, true).Recovery {
		if c.Limit != limits[i] {
			t.Errorf("%s: %s", c.Class, c.Limit)
		}
	}
}

// TestWhatAPeakIsWorth holds the words against what excursion gives.
func TestWhatAPeakIsWorth(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		every, burst time.Duration
		frequency    bool
		words        string
	}{{500 * ms, 60 * ms, true, "a lower and an upper bound"}, {time.Second, 60 * ms, true, "frequency dips and rises may be larger"}, {500 * ms, 0, true, "frequency dips and rises may be larger"}, {200 * ms, 0, true, "a lower and an upper bound"},
		{100 * ms, 20 * ms, false, "samples the waveform"}} {
		if got := SightOf(c.every, c.burst, c.frequency).Peak; !strings.Contains(got, c.words) {
			t.Errorf("%s, burst %s: %q", c.every, c.burst, got)
		}
	}
}
