package wiring

import (
	"fmt"
	"math"
	"slices"
	"time"

	"tickover/model"
)

// switching is one load that came on during the walk: what it changed.
type switching struct {
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
	powers   int // readings with P and Q: fast ones may lack them
	neutrals int // readings with the neutral's current
	lines    int // readings with line voltages
	mean     meterReading
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
	steadyVolts  = 0.03             // of the voltages, within which a stretch goes on
	ratedSpeed   = 0.1              // of rated frequency, within which the set is at rated speed
	forget       = 10 * time.Second // a gap in the record ends a stretch
	mostSteps    = 1024             // switchings kept, the newest
)

// Walker follows a one-heater walk through the record. Make it with NewWalker.
type Walker struct {
	rating  model.Rating
	now     stretch
	skipped bool // the first reading after a change is half old, half new
	base    *stretch
	anew    bool // a load went since the last switching
	steps   []switching
	last    *stretch // the newest that ended, whatever it was
	star    starSeen
	slow    float64 // Hz, the newest frequency that was not rated speed; 0 when it is
}

// NewWalker makes a walker for a set of a rating, which may be empty.
func NewWalker(r model.Rating) *Walker { return &Walker{rating: r} }

// Step takes the next scan.
func (w *Walker) Step(scan *model.Scan) {
	m, ok := read(scan)
	if !ok || !allKnown(m.i[:]...) || !allKnown(m.ln[:]...) {
		return
	}
	if gap, same := scan.At.Sub(w.now.to); w.now.count > 0 && (!same || gap > forget) {
		w.close()
	}
	if !w.atRatedSpeed(m) {
		w.close()
		w.skipped = false
		return
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

// atRatedSpeed leaves out run-up, idle and run-down, where voltages are not
// those of a loaded set. A record without frequency goes by steady voltages.
func (w *Walker) atRatedSpeed(m meterReading) bool {
	rated := w.rating.Frequency
	if !(rated > 0) || !allKnown(m.f) {
		return true
	}
	if math.Abs(m.f/rated-1) > ratedSpeed {
		w.slow = m.f
		return false
	}
	w.slow = 0
	return true
}

func (w *Walker) changed(m meterReading) bool {
	for k := range 3 {
		if math.Abs(m.ln[k]-w.now.mean.ln[k]) > steadyVolts*slices.Max(w.now.mean.ln[:]) {
			return true
		}
		if math.Abs(m.i[k]-w.now.mean.i[k]) > max(steadyAmps, steadyBand*w.now.mean.i[k]) {
			return true
		}
	}
	return false
}

func (s *stretch) add(at model.Instant, m meterReading) {
	if s.count == 0 {
		s.from = at
	}
	s.to = at
	s.count++
	mix := func(mean, v *[3]float64, n int) {
		for k := range 3 {
			mean[k] += (v[k] - mean[k]) / float64(n)
		}
	}
	mix(&s.mean.i, &m.i, s.count)
	mix(&s.mean.ln, &m.ln, s.count)
	if allKnown(m.p[:]...) && allKnown(m.q[:]...) {
		s.powers++
		mix(&s.mean.p, &m.p, s.powers)
		mix(&s.mean.q, &m.q, s.powers)
	}
	if allKnown(m.ll[:]...) {
		s.lines++
		mix(&s.mean.ll, &m.ll, s.lines)
	}
	if allKnown(m.n) {
		s.neutrals++
		s.mean.n += (m.n - s.mean.n) / float64(s.neutrals)
	}
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
	if w.last != nil {
		w.star.see(w.last, &s, w.rating)
	}
	w.last = &s
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

func stepOf(base, on stretch, input int, two bool) switching {
	s := switching{at: on.from, input: input, amps: on.mean.i[input] - base.mean.i[input], two: two,
		volts: on.mean.ln, n: on.mean.n}
	s.power = complex(on.mean.p[input]-base.mean.p[input], on.mean.q[input]-base.mean.q[input])
	s.noQ = base.powers == 0 || on.powers == 0
	if base.mean.n > 0.5 || base.neutrals == 0 || on.neutrals == 0 {
		s.n = math.NaN() // other loads drive a neutral current already
	}
	for k := range 3 {
		s.sag[k] = base.mean.ln[k] - on.mean.ln[k]
	}
	return s
}

// ended is a copy in which the stretch that still goes on has ended.
func (w *Walker) ended() *Walker {
	open := *w
	open.steps = slices.Clone(w.steps)
	open.close()
	return &open
}

// groups parts the switchings into walks: at a longer pause, and where a load
// went that had been there from the beginning.
func (w *Walker) groups() [][]switching {
	var all [][]switching
	for i, s := range w.steps {
		if i > 0 && !s.anew {
			if d, ok := s.at.Sub(w.steps[i-1].at); ok && d <= longestPause {
				all[len(all)-1] = append(all[len(all)-1], s)
				continue
			}
		}
		all = append(all, []switching{s})
	}
	return all
}

// progress is how far a group of switchings is as a walk.
type progress struct {
	done    []switching // the last three that were a walk; empty before
	now     []switching // those since: the walk going on, when nothing is done
	trouble string      // why earlier ones do not count
	next    string      // what to do about it, before the next switching
}

// follow takes switchings in turn. One that cannot belong to a walk voids
// what came before it, and the walk may start again at once.
func follow(group []switching) (p progress) {
	const again = "start again: L1, then L2, then L3"
	for i, s := range group {
		if len(p.now) == 3 {
			p = progress{done: p.done} // another walk, or other loads
		}
		same := slices.IndexFunc(p.now, func(o switching) bool { return o.input == s.input })
		switch {
		case s.two:
			p.now, p.trouble = nil, fmt.Sprintf(
				"at switching %d more than one current rose: another load changed too", i+1)
			p.next = "keep every other load unchanged and " + again
		case same >= 0:
			p.trouble = fmt.Sprintf(
				"switchings %d and %d changed the same current input: one phase was taken "+
					"twice, or the order was wrong",
				i+1-len(p.now)+same,
				i+1,
			)
			p.now, p.next = nil, again
		default:
			if p.now = append(p.now, s); len(p.now) == 3 {
				p.done = p.now
			}
		}
	}
	return p
}

var phaseNames = [4]string{"L1", "L2", "L3", "N"}

// Result works the walk out as far as it went. heater is the nameplate power
// in W at rated voltage; 0 when it is not known, and the scale is then left
// open.
func (w *Walker) Result(heater float64) model.Walk {
	open := w.ended()
	if open.base == nil && w.slow > 0 {
		return unfinished(
			"bring the set to rated speed, switch every load off and wait half a minute",
			"the frequency is "+model.Frequency.ShowWithUnit(w.slow)+"; the walk needs rated speed")
	}
	if open.base == nil {
		return unfinished("start the set, switch every load off and wait half a minute",
			"no steady voltage on record yet")
	}
	groups := open.groups()
	newest := progress{}
	for i := len(groups) - 1; i >= 0; i-- {
		p := follow(groups[i])
		if len(p.done) > 0 {
			return conclude([3]switching(p.done), w.rating, heater)
		}
		if i == len(groups)-1 {
			if newest = p; p.trouble == "" {
				break
			}
		}
	}
	return newest.walk()
}

// walk is what is to be done next.
func (p progress) walk() model.Walk {
	next := phaseNames[len(p.now)]
	words, do := fmt.Sprintf("%d of 3 outlets done; next is %s", len(p.now),
		next), "switch the heater on at the outlet of "+next+", for half a minute"
	switch {
	case p.trouble != "" && len(p.now) == 0:
		words, do = p.trouble, p.next
	case p.trouble != "":
		words = p.trouble + "; started again: " + words
	}
	return unfinished(do, words)
}

func unfinished(next, words string) model.Walk {
	return model.Walk{Next: next, Words: words,
		Checks: []model.Check{{Code: "C13", Title: "one-heater walk", Words: words, Do: next}}}
}
