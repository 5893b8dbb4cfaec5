package alarms

import (
	"math"
	"time"

	"tickover/model"
)

const (
	// defaultWindow is the model's default for AlarmRule.Window.
	defaultWindow = 60 * time.Second
	// slopePoints is how many samples a rate is taken from: enough to smooth a
	// register's last digit, few enough to sum anew for each sample.
	slopePoints = 64
)

// slope is the rate of change over a window by least squares.
type slope struct {
	window time.Duration
	at     [slopePoints]model.Instant
	v      [slopePoints]float64
	n      int // samples held, oldest first
}

func newSlope(window time.Duration) *slope {
	if window <= 0 {
		window = defaultWindow
	}
	return &slope{window: window}
}

func (s *slope) forget() { s.n = 0 }

// add takes a sample and returns the rate in units a second. It reports false
// until the samples span the window.
func (s *slope) add(_ *engine, at model.Instant, v float64) (float64, bool) {
	// Samples closer than a 32nd of the window replace the newest, so that 64
	// of them always span it.
	if s.n > 1 && elapsed(s.at[s.n-2], at) < s.window/(slopePoints/2) {
		s.n--
	}
	s.drop(at)
	s.at[s.n], s.v[s.n] = at, v
	s.n++
	if elapsed(s.at[0], at) < s.window {
		return 0, false
	}
	rate, _ := s.fit(at)
	return rate, true
}

// drop lets go of samples that are not needed to span the window.
func (s *slope) drop(at model.Instant) {
	k := 0
	for k+1 < s.n && elapsed(s.at[k+1], at) >= s.window || s.n-k >= slopePoints {
		k++
	}
	copy(s.at[:], s.at[k:s.n])
	copy(s.v[:], s.v[k:s.n])
	s.n -= k
}

// fit returns the rate and its standard error, both in units a second.
func (s *slope) fit(at model.Instant) (rate, scatter float64) {
	var t, v float64
	for i := range s.n {
		t += -elapsed(s.at[i], at).Seconds()
		v += s.v[i]
	}
	t, v = t/float64(s.n), v/float64(s.n)
	var tt, tv, vv float64
	for i := range s.n {
		dt := -elapsed(s.at[i], at).Seconds() - t
		tt += dt * dt
		tv += dt * (s.v[i] - v)
		vv += (s.v[i] - v) * (s.v[i] - v)
	}
	if tt == 0 {
		return 0, 0
	}
	rate = tv / tt
	return rate, math.Sqrt(max(vv-rate*tv, 0) / float64(max(s.n-2, 1)) / tt)
}
