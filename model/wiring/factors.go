package wiring

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"tickover/model"
)

// Power factors of ordinary loads (from memory). Currents shifted by a phase
// and reversed turn a load by 60°: 0.95 lagging then leads at 0.74, 0.85 at
// 0.88, which electronics show too.
const (
	leastFactor    = 0.1  // of a motor running light: 0.1 to 0.3
	usualFactor    = 0.55 // the mean of a board's phases
	leadsNoFurther = 0.85 // of power supplies with filters, leading
	leadsNotWorth  = 0.96 // above it a lead is in the meter's own error
	motorAlike     = 0.15 // how far the phase currents of one motor lie apart
)

// leadSeen counts, reading by reading, which phases lead.
type leadSeen struct {
	seen   int     // readings with load and reactive power
	phases [3]pile // power factor where a phase leads and no load between two phases explains it
}

// see takes one reading; least is the current in A below which a phase's power
// says nothing.
func (l *leadSeen) see(m meterReading, least float64) {
	judged := false
	for k := range 3 {
		if !(m.i[k] > least) || !allKnown(m.p[k], m.q[k]) {
			continue
		}
		judged = true
		s := math.Hypot(m.p[k], m.q[k])
		if m.q[k] < 0 && m.p[k] > 0.05*s && m.p[k] < leadsNotWorth*s && !betweenPhases(m, k) {
			l.phases[k].add(m.p[k] / s)
		}
	}
	if judged {
		l.seen++
	}
}

// betweenPhases reports whether a resistance from phase k to the next, which
// leads by 30° on the one and lags by 30° on the other, accounts for the lead
// of phase k: both phases must then carry its power and the next its reactive
// power, less a tenth for what the meter may be wrong by. The phases are taken
// to rotate L1, L2, L3.
func betweenPhases(m meterReading, k int) bool {
	next, q := (k+1)%3, -0.9*m.q[k]
	p := q * math.Sqrt(3)
	return m.p[k] >= p && m.p[next] >= p && m.q[next] >= q
}

// leading looks for phases that lead further than ordinary loads do.
func (w *Evidence) leading(b Context) model.Check {
	const code, title = "C12", "no ordinary load leads"
	if w.leads.seen < least {
		return notDetermined(code, title, "no phase with load and reactive power was measured")
	}
	var all []string
	far := false
	for k, p := range w.leads.phases {
		if len(p) < least {
			continue
		}
		deep := p.quantile(0.1) // a heater on its own gives a wrong input away
		all = append(all, fmt.Sprintf("%s leads at %.2f", phaseNames[k], deep))
		far = far || deep < leadsNoFurther
	}
	const do = "do the one-heater walk: currents shifted by a phase and reversed look the same"
	words := strings.Join(all, "; ")
	switch {
	case len(all) == 0:
		return check(code, title, false, "no phase leads, or a load between two phases explains it",
			"")
	case far:
		return check(code, title, true, words, do)
	case vouched(b):
		return check(code, title, false,
			words+", as electronic loads do; the one-heater walk found every input correct", "")
	}
	c := notDetermined(code, title,
		words+", as electronic loads do, or as currents shifted by a phase and reversed do")
	c.Do = do
	return c
}

// pattern looks for power factors no ordinary load has: signs that differ, next
// to no power, or a sum of powers far below the sum of apparent powers.
func (w *Evidence) pattern(b Context) model.Check {
	const code, title = "C11", "power factors fit a load"
	pf, ok := w.medians(func(p *phaseSeen) pile { return p.pf })
	if !ok {
		return notDetermined(code, title, "not all three phases carried load yet")
	}
	signs, most := 0, 0.0
	for _, v := range pf {
		if v < -0.05 {
			signs++
		}
		most = max(most, math.Abs(v))
	}
	words := fmt.Sprintf("power factors %.2f, %.2f, %.2f", pf[0], pf[1], pf[2])
	const do = "currents and voltages are of different phases: do the one-heater walk"
	low := slices.Min(pf[:])
	switch light := low >= leastFactor && most < usualFactor && w.motorLike(); {
	case signs == 1 || signs == 2 || low < leastFactor && low > -leastFactor:
		return check(code, title, true, words, do)
	case math.Abs(sum(pf))/3 >= usualFactor:
		return check(code, title, false, words, "")
	case light && vouched(b):
		return check(code, title, false,
			words+": a motor at light load; the one-heater walk found every input correct", "")
	case light:
		c := notDetermined(code, title,
			words+": a motor at light load, or currents shifted by a phase and reversed")
		c.Do = "load the motor, or do the one-heater walk"
		return c
	}
	return check(code, title, true, words, do)
}

// motorLike reports whether the three phases carry alike and lag.
func (w *Evidence) motorLike() bool {
	var s [3]float64
	for k := range 3 {
		p := &w.phase[k]
		if q := p.q.median(); !(q > 0) {
			return false
		}
		s[k] = math.Hypot(p.p.median(), p.q.median())
	}
	return slices.Max(s[:])-slices.Min(s[:]) < motorAlike*slices.Max(s[:])
}

// vouched reports whether the newest walk on record found every input right.
func vouched(b Context) bool { return lastWalk(b).Outcome == model.Pass }
