package wiring

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"tickover/model"
)

// conclude names what three switchings say.
func conclude(steps [3]switching, rating model.Rating, heater float64) model.Walk {
	walk := model.Walk{Complete: true}
	main := model.Check{Code: "C13", Title: "one-heater walk"}
	phase := phaseOf(rating)
	scaled := voltageScale(steps, phase)
	if slices.ContainsFunc(steps[:], func(s switching) bool { return s.noQ }) {
		main.Words = "the meter has no active and reactive power per phase: angles not determined"
		main.Do = "add these points to the configuration, if the meter has them"
		walk.Words, walk.Checks = main.Words, []model.Check{main}
		return walk
	}
	best, alternatives := explain(steps, phase*scaled)
	if math.IsInf(best.cost, 1) {
		main.Outcome, main.Words = model.Finding, "no swap or reversal of leads explains the "+
			"readings"
		main.Do = "check for an open or shorted transformer, two mistakes at one terminal, or " +
			"another load that changed; repeat the walk"
		walk.Words, walk.Checks = main.Words, []model.Check{main}
		return walk
	}
	words := best.texts()
	main.Outcome, main.Words = model.Pass, "every current and voltage input is on its own "+
		"phase, with the right polarity"
	if len(words) > 0 {
		main.Outcome, main.Words = model.Finding, strings.Join(words, "; ")
		main.Do = "stop the set, short the current transformers before you move their leads, " +
			"correct what the drawing marks, and repeat the walk"
	}
	if other := alternative(best, alternatives); other != "" {
		main.Words += "; also possible: " + other
	}
	main.Figures = map[string]float64{"load angle": best.lag * 180 / math.Pi,
		"mistakes": best.mistakes()}
	walk.Words, walk.Drawing = main.Words, best.drawing()
	walk.Checks = append([]model.Check{main}, scaleCheck(steps, phase, heater, scaled),
		neutralCheck(steps), sagCheck(steps, best))
	return walk
}

func alternative(best explanation, alternatives []explanation) string {
	for _, r := range alternatives {
		if r.hypothesis != best.hypothesis {
			if w := r.texts(); len(w) > 0 {
				return strings.Join(w, "; ")
			}
		}
	}
	return ""
}

// voltageScale is 1, or the power of ten or of √3 the voltages are off by.
func voltageScale(steps [3]switching, phase float64) float64 {
	var all pile
	for _, s := range steps {
		for _, v := range s.volts {
			all.add(v / phase)
		}
	}
	m := all.median()
	for _, c := range []float64{0.01, 0.1, 10, 100} {
		if math.Abs(m/c-1) < 0.15 {
			return c
		}
	}
	return 1
}

// words names each mistake.
func (h hypothesis) texts() []string {
	var all []string
	say := func(format string, args ...any) { all = append(all, fmt.Sprintf(format, args...)) }
	switch exchanged(h.outlet[:]) {
	case 0:
	case 2:
		a, b := pair(h.outlet[:])
		say("the outlets labelled %s and %s are swapped, or the walk took them in another order",
			phaseNames[a], phaseNames[b])
	default:
		say(
			"the labels of the outlets are shifted by one phase, or the walk took them in " +
				"another order",
		)
	}
	switch exchanged(h.current[:]) {
	case 0:
	case 2:
		a, b := pair(h.current[:])
		say("the current transformers of %s and %s are swapped at the meter", phaseNames[a],
			phaseNames[b])
	default:
		say(
			"all current transformers are shifted by one phase: the input of L1 has the "+
				"transformer of %s",
			phaseNames[h.current[0]],
		)
	}
	if h.reversed == [3]bool{true, true, true} {
		say("all current transformers are reversed, or the meter uses the opposite sign")
	} else {
		for k, r := range h.reversed {
			if r {
				say("the current transformer on the input of %s is reversed", phaseNames[k])
			}
		}
	}
	return append(all, h.voltageTexts()...)
}

func (h hypothesis) voltageTexts() []string {
	for k, c := range h.voltage {
		if c < 0 {
			return []string{"the voltage lead or fuse of " + phaseNames[k] + " is open"}
		}
	}
	switch exchanged(h.voltage[:]) {
	case 0:
		return nil
	case 2:
		a, b := pair(h.voltage[:])
		return []string{fmt.Sprintf("the voltage leads of %s and %s are swapped at the meter",
			phaseNames[a], phaseNames[b])}
	}
	var parts []string
	for k, c := range h.voltage {
		if c != k {
			parts = append(parts, fmt.Sprintf("input %s has %s", phaseNames[k], phaseNames[c]))
		}
	}
	return []string{"the voltage leads are on wrong inputs: " + strings.Join(parts, ", ")}
}

func exchanged(order []int) int { return int(2 * disorder(order)) }

func pair(order []int) (a, b int) {
	for i, c := range order {
		if c != i && c >= 0 {
			return min(i, c), max(i, c)
		}
	}
	return 0, 0
}

// drawing shows what is connected where.
func (h hypothesis) drawing() string {
	var b strings.Builder
	mark := func(wrong bool) string {
		if wrong {
			return "   <== wrong"
		}
		return ""
	}
	for k := range 4 {
		from := "open"
		if h.voltage[k] >= 0 {
			from = phaseNames[h.voltage[k]]
		}
		fmt.Fprintf(&b, "%-4s ------------> meter U %s%s\n", from, phaseNames[k],
			mark(h.voltage[k] != k))
	}
	for k := range 3 {
		arrow := "-- k to l -->"
		if h.reversed[k] {
			arrow = "-- l to k -->"
		}
		fmt.Fprintf(&b, "%-4s %s meter I %s%s\n", phaseNames[h.current[k]], arrow, phaseNames[k],
			mark(h.current[k] != k || h.reversed[k]))
	}
	for k := range 3 {
		if h.outlet[k] != k {
			fmt.Fprintf(&b, "%-4s ------------> outlet labelled %s%s\n", phaseNames[h.outlet[k]],
				phaseNames[k], mark(true))
		}
	}
	return b.String()
}

// ratios are what a wrong ratio of a transformer, its secondary or its turns
// multiplies currents by; heaters may be 10 % below and 5 % above their plate
// (from memory).
var ratios = []float64{0.01, 0.1, 0.2, 0.25, 1. / 3, 0.5, 2. / 3, 0.8, 1.25, 1.5, 2, 3, 4, 5, 10,
	100}

func scaleCheck(steps [3]switching, phase, heater, scaled float64) model.Check {
	c := model.Check{Code: "C14", Title: "scale of currents and voltages"}
	if scaled != 1 {
		c.Outcome = model.Finding
		c.Words = fmt.Sprintf("voltages read %g times the true value", scaled)
		c.Do = "correct the resolution in the configuration"
		return c
	}
	if !(heater > 0) {
		c.Words, c.Do = "the heater's power is not known", "enter it, for example --heater "+
			"2kW, or compare with a clamp meter"
		return c
	}
	c.Outcome, c.Figures = model.Pass, map[string]float64{}
	var lines []string
	for _, s := range steps {
		volts := s.volts[s.input]
		if volts < 0.5*phase {
			volts = phase // an open or exchanged lead says nothing of the heater's own voltage
		}
		want := heater * (volts / phase) * (volts / phase) / volts
		r := s.amps / want
		c.Figures["ratio at the input of "+phaseNames[s.input]] = r
		if r < 0.85 || r > 1.12 {
			c.Outcome = model.Finding
			lines = append(
				lines,
				fmt.Sprintf("the input of %s shows %.2f times the heater's current%s",
					phaseNames[s.input], r, nearRatio(r)),
			)
		}
	}
	c.Words = "the heater's current agrees with its nameplate"
	if len(lines) > 0 {
		slices.Sort(lines)
		c.Words, c.Do = strings.Join(
			lines,
			"; ",
		), "compare the transformer's nameplate with the ratio set in the meter, and count its "+
			"primary turns"
	}
	return c
}

// nearRatio names the usual ratio nearest to r; "" when none is near.
func nearRatio(r float64) string {
	for _, c := range ratios {
		if math.Abs(math.Log(r/c)) < 0.11 {
			return fmt.Sprintf(", about %.3g", c)
		}
	}
	return ""
}

func neutralCheck(steps [3]switching) model.Check {
	c := model.Check{Code: "C20", Title: "neutral current with one phase loaded",
		Outcome: model.Pass, Words: "the neutral carries what the phase carries"}
	for _, s := range steps {
		switch {
		case math.IsNaN(s.n):
			return model.Check{Code: c.Code, Title: c.Title,
				Words: "no neutral current is measured, or other loads cause one"}
		case math.Abs(s.n-s.amps) > max(0.5, 0.15*s.amps) && c.Outcome == model.Pass:
			c.Outcome = model.Finding
			c.Words = fmt.Sprintf("the neutral shows %.1f A with %.1f A in one phase alone", s.n,
				s.amps)
			c.Do = "check for other loads, and on which side of the neutral-earth bond the " +
				"neutral's transformer is"
		}
	}
	return c
}

// sagCheck looks whether the loaded phase falls most.
func sagCheck(steps [3]switching, best explanation) model.Check {
	c := model.Check{Code: "C23", Title: "the loaded phase has the largest voltage drop"}
	right := 0
	for k, s := range steps {
		most := 0
		for i := range 3 {
			if s.sag[i] > s.sag[most] {
				most = i
			}
		}
		if s.sag[most] < 0.3 {
			c.Words = "the heater is too small for a visible voltage drop"
			return c
		}
		if best.voltage[most] == best.outlet[k] && cmplx.Abs(best.phase(most)) < 1.1 {
			right++
		}
	}
	switch right {
	case 3:
		c.Outcome, c.Words = model.Pass, "true on all three phases"
	default:
		c.Words = fmt.Sprintf("true on %d of 3 phases: voltages changed for another reason too",
			right)
	}
	return c
}
