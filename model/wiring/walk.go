package wiring

import (
	"fmt"
	"math"
	"time"

	"tickover/model"
)

// step is one switching of the walk: what it changed.
type step struct {
	at    model.Instant
	input int        // current input that rose
	amps  float64    // by how much
	power complex128 // change of P + jQ at that input
	volts [3]float64 // phase voltages with the load on
	sag   [3]float64 // by how much each fell
	noQ   bool       // the meter gives no reactive power
	n     float64    // neutral current, NaN when not measured
	two   bool       // more than one input rose
}

// stretch is a time in which the currents did not change.
type stretch struct {
	from, to model.Instant
	count    int
	mean     meter
}

// Figures of the walk.
const (
	leastRise    = 1.0              // A: a heater of 230 W
	steadyBand   = 0.08             // of the current, within which a stretch goes on
	steadyAmps   = 0.4              // A, for small currents
	leastCount   = 4                // readings of a stretch
	leastLength  = 3 * time.Second  // and its length
	longestPause = 3 * time.Minute  // between two switchings of one walk
	leastVolts   = 30.0             // V, of all three: voltages may be scaled wrong by ten
	forget       = 10 * time.Second // a gap in the record ends a stretch
)

// Walker follows a one-heater walk through the record. The zero value is
// ready.
type Walker struct {
	now     stretch
	skipped bool // the first reading after a change is half old, half new
	base    *stretch
	steps   []step
}

// Step takes the next scan.
func (w *Walker) Step(scan *model.Scan) {
	m, ok := read(scan)
	if !ok || !known(m.i[:]...) || !known(m.ln[:]...) {
		return
	}
	if gap, same := scan.At.Sub(w.now.to); w.now.count > 0 && (!same || gap > forget) {
		w.close()
	}
	if w.now.count > 0 && w.changed(m) {
		w.close()
		w.skipped = false
	}
	if w.now.count == 0 && !w.skipped {
		w.skipped = true
		return
	}
	w.now.add(scan.At, m)
}

func (w *Walker) changed(m meter) bool {
	for k := range 3 {
		if math.Abs(m.i[k]-w.now.mean.i[k]) > max(steadyAmps, steadyBand*w.now.mean.i[k]) {
			return true
		}
	}
	return false
}

func (s *stretch) add(at model.Instant, m meter) {
	if s.count == 0 {
		s.from = at
	}
	s.to = at
	s.count++
	share := 1 / float64(s.count)
	mix := func(mean *float64, v float64) { *mean += (v - *mean) * share }
	for k := range 3 {
		mix(&s.mean.i[k], m.i[k])
		mix(&s.mean.ln[k], m.ln[k])
		mix(&s.mean.p[k], m.p[k])
		mix(&s.mean.q[k], m.q[k])
	}
	mix(&s.mean.n, m.n)
}

// close ends the stretch and looks at what changed against the last one with
// the heater off.
func (w *Walker) close() {
	s := w.now
	w.now = stretch{}
	length, _ := s.to.Sub(s.from)
	if s.count < leastCount || length < leastLength || sum(s.mean.ln) < leastVolts {
		return // too short, or no voltage
	}
	if w.base == nil {
		w.base = &s
		return
	}
	rose, input, fell := 0, 0, false
	for k := range 3 {
		d := s.mean.i[k] - w.base.mean.i[k]
		if d > s.mean.i[input]-w.base.mean.i[input] {
			input = k
		}
		if d > leastRise {
			rose++
		}
		fell = fell || d < -leastRise
	}
	switch {
	case fell:
		w.base, w.steps = &s, nil // a load went: begin anew
	case rose == 0:
		w.base = &s
	default:
		w.steps = append(w.steps, stepOf(*w.base, s, input, rose > 1))
	}
}

func stepOf(base, on stretch, input int, two bool) step {
	s := step{at: on.from, input: input, amps: on.mean.i[input] - base.mean.i[input], two: two, volts: on.mean.ln, n: on.mean.n}
	s.power = complex(on.mean.p[input]-base.mean.p[input], on.mean.q[input]-base.mean.q[input])
	s.noQ = math.IsNaN(imag(s.power))
	if base.mean.n > 0.5 {
		s.n = math.NaN() // other loads drive a neutral current already
	}
	for k := range 3 {
		s.sag[k] = base.mean.ln[k] - on.mean.ln[k]
	}
	return s
}

// last are the switchings of the newest walk: those not parted by a longer
// pause.
func (w *Walker) last() []step {
	from := 0
	for i := 1; i < len(w.steps); i++ {
		if d, ok := w.steps[i].at.Sub(w.steps[i-1].at); !ok || d > longestPause {
			from = i
		}
	}
	return w.steps[from:]
}

var phaseNames = [4]string{"L1", "L2", "L3", "N"}

// Result works the walk out as far as it went. heater is the nameplate power
// in W at rated voltage; 0 when it is not known, and the scale is then left
// open.
func (w *Walker) Result(rating model.Rating, heater float64) model.Walk {
	open := *w
	open.close() // the stretch that is still going on
	steps := open.last()
	switch {
	case open.base == nil:
		return unfinished("start the set, switch every load off and wait half a minute", "no steady stretch with voltage is on record yet")
	case len(steps) > 3:
		return unfinished("wait three minutes with the heater off, then go L1, L2, L3 once each",
			fmt.Sprintf("the heater was switched on %d times where three are a walk", len(steps)))
	}
	for i, s := range steps {
		if s.two {
			return unfinished("wait three minutes and begin anew, leaving every other load alone",
				fmt.Sprintf("at switching %d more than one current rose, so another load moved too", i+1))
		}
		for j := range i {
			if steps[j].input == s.input {
				return unfinished("wait three minutes and begin anew: L1, then L2, then L3",
					fmt.Sprintf("switchings %d and %d moved the same current input, so one phase was taken twice or the walk was done in the wrong order", j+1, i+1))
			}
		}
	}
	if len(steps) < 3 {
		next := phaseNames[len(steps)]
		return unfinished("switch the heater on at the outlet of "+next+", for half a minute", fmt.Sprintf("%d of 3 outlets done; next is %s", len(steps), next))
	}
	return conclude([3]step(steps), rating, heater)
}

func unfinished(next, words string) model.Walk {
	return model.Walk{Next: next, Words: words, Checks: []model.Check{{Code: "C13", Title: "one-heater walk", Words: words, Do: next}}}
}
