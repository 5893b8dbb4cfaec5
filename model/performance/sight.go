package performance

import (
	"fmt"
	"time"
)

// Sight is what readings that come at given intervals can judge of a load step.
type Sight struct {
	// Recovery lists for each class of ISO 8528-5 what can be judged of the time
	// until the quantity has come back.
	Recovery []ClassSight
	Peak     string // text: what the lowest or highest reading shows
	Why      string // why no recovery can be judged; empty when some can
	// Enough is the longest poll interval at which every class is judged with room
	// to spare; 0 when the intervals are as short already.
	Enough time.Duration
}

// ClassSight is one class. A set that needs Room at most is seen to keep it.
type ClassSight struct {
	Class string
	Limit time.Duration
	Room  time.Duration // 0 when nothing can be judged
}

// SightOf works out what can be judged of the frequency, or of a voltage, that is
// polled at every interval, and burst after a step has been seen; burst is 0 when
// the point is not polled faster then. The step falls between two polls, so what
// happens before the first reading of the burst is not seen. It goes by the same
// rules as the figures of a step.
func SightOf(every, burst time.Duration, frequency bool) Sight {
	s := Sight{Peak: peakText(every, burst, frequency)}
	if every.Seconds() > gap(after(every, burst).Seconds()) {
		s.Why = fmt.Sprintf("no readings for %s s around the step", short(every.Seconds()))
	}
	tight := false
	for _, c := range sets[:classes] {
		limit := seconds(c.limits[sightKey(frequency)].max)
		one := ClassSight{Class: c.name, Limit: limit, Room: room(limit, every, burst)}
		if s.Why != "" {
			one.Room = 0
		}
		tight = tight || one.Room < limit/2
		s.Recovery = append(s.Recovery, one)
	}
	if !tight {
		return s
	}
	for try := every - 10*time.Millisecond; try > 0; try -= 10 * time.Millisecond {
		if try.Seconds() <= gap(after(try, burst).Seconds()) &&
			room(seconds(strictest(frequency)), try, burst) >= seconds(strictest(frequency))/2 {
			s.Enough = try.Truncate(50 * time.Millisecond)
			break
		}
	}
	return s
}

func sightKey(frequency bool) key {
	if frequency {
		return frequencyRecoveryOn
	}
	return voltageRecoveryOn
}

func strictest(frequency bool) float64 { return sets[classes-1].limits[sightKey(frequency)].max }

// after is how often readings come after the step.
func after(every, burst time.Duration) time.Duration {
	if burst == 0 {
		return every
	}
	return min(every, burst)
}

// room is what a limit leaves a set whose recovery is bounded by the third reading
// after the last one that leaves room for a way out.
func room(limit, every, burst time.Duration) time.Duration {
	b := after(every, burst)
	return max(limit-every-2*b-seconds(slack(b.Seconds())), 0)
}

func peakText(every, burst time.Duration, frequency bool) string {
	switch b := after(every, burst); {
	case !frequency:
		return "voltage dips and rises may be larger than read; the true peak needs an " +
			"instrument that samples the waveform"
	case b.Seconds() > quick, every.Seconds() > gap(b.Seconds()):
		return "frequency dips and rises may be larger than read"
	}
	return "frequency dips and rises have a lower and an upper bound when enough readings fall " +
		"into them"
}
