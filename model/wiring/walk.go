package wiring

import (
	"fmt"
	"math"
	"slices"
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
	anew  bool       // the first of a new walk: a load went before it
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
	mostSteps    = 1024             // switchings kept, the newest
)

// Walker follows a one-heater walk through the record. The zero value is
// ready.
type Walker struct {
	now     stretch
	skipped bool // the first reading after a change is half old, half new
	base    *stretch
	anew    bool // a load went since the last switching
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
		w.base, w.anew = &s, true // a load went: begin anew
	case rose == 0:
		w.base = &s
	default:
		one := stepOf(*w.base, s, input, rose > 1)
		one.anew, w.anew = w.anew, false
		if w.steps = append(w.steps, one); len(w.steps) > mostSteps {
			w.steps = slices.Delete(w.steps, 0, mostSteps/2)
		}
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

// groups parts the switchings into walks: at a longer pause, and where a load
// went that had been there from the beginning.
func (w *Walker) groups() [][]step {
	var all [][]step
	for i, s := range w.steps {
		if i > 0 && !s.anew {
			if d, ok := s.at.Sub(w.steps[i-1].at); ok && d <= longestPause {
				all[len(all)-1] = append(all[len(all)-1], s)
				continue
			}
		}
		all = append(all, []step{s})
	}
	return all
}

// trimmed leaves out what came after a walk: other loads that moved several
// currents, and earlier walks when it was done twice in a row.
func trimmed(group []step) []step {
	for i, s := range group {
		if s.two && i >= 3 {
			group = group[:i]
			break
		}
	}
	if n := len(group); n > 3 && n%3 == 0 {
		return group[n-3:]
	}
	return group
}

// trouble says why switchings are no walk; empty when they are one, or the
// beginning of one.
func trouble(steps []step) (words, next string) {
	if len(steps) > 3 {
		return fmt.Sprintf("the heater was switched on %d times where three are a walk", len(steps)), "wait three minutes with the heater off, then go L1, L2, L3 once each"
	}
	for i, s := range steps {
		if s.two {
			return fmt.Sprintf("at switching %d more than one current rose, so another load moved too", i+1), "wait three minutes and begin anew, leaving every other load alone"
		}
		for j := range i {
			if steps[j].input == s.input {
				return fmt.Sprintf("switchings %d and %d moved the same current input, so one phase was taken twice or the walk was done in the wrong order", j+1, i+1),
					"wait three minutes and begin anew: L1, then L2, then L3"
			}
		}
	}
	return "", ""
}

var phaseNames = [4]string{"L1", "L2", "L3", "N"}

// Result works the walk out as far as it went. heater is the nameplate power
// in W at rated voltage; 0 when it is not known, and the scale is then left
// open.
func (w *Walker) Result(rating model.Rating, heater float64) model.Walk {
	open := *w
	open.steps = slices.Clone(w.steps)
	open.close() // the stretch that is still going on
	if open.base == nil {
		return unfinished("start the set, switch every load off and wait half a minute", "no steady stretch with voltage is on record yet")
	}
	groups := open.groups()
	var steps []step
	for i := len(groups) - 1; i >= 0; i-- {
		steps = trimmed(groups[i])
		if words, _ := trouble(steps); words == "" && (len(steps) == 3 || i == len(groups)-1) {
			break
		}
		if i == 0 {
			steps = trimmed(groups[len(groups)-1])
			if words, next := trouble(steps); words != "" {
				return unfinished(next, words)
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
