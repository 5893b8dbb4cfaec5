package wiring

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"tickover/model"
)

// Context is what the checks need besides the scans.
type Context struct {
	Hand   []model.Event     // measurements by hand, all there are
	Walks  []model.Event     // outcomes of earlier walks
	Alarms []model.AlarmRule // the rules in force
	Clock  model.ClockSource
	Now    time.Time   // UTC; zero means that no clock knows it
	Dates  model.Clock // of the measurements
	Store  model.StoreHealth
}

// least is how many values a verdict needs.
const least = 10

// backwardsBelow is the power factor in total below which power counts backwards;
// nearer to nothing it may be noise on reactive load.
const backwardsBelow = -0.1

// check makes one; a finding when wrong.
func check(code, title string, wrong bool, words, do string) model.Check {
	c := model.Check{Code: code, Title: title, Outcome: model.Pass, Words: words}
	if wrong {
		c.Outcome, c.Do = model.Finding, do
	}
	return c
}

func notDetermined(code, title, why string) model.Check {
	return model.Check{Code: code, Title: title, Words: why}
}

// Checks answers every question as far as the scans allow, in the order of
// their codes.
func (w *Evidence) Checks(b Context) []model.Check {
	all := []model.Check{
		w.answering(),
		w.orders(),
		handReadings("C03", "scale against a hand meter", b, model.Voltage,
			`voltage.l1n "230.4 V"`),
		w.starDelta(),
		w.neutralLead(),
		w.openLead(),
		w.neutralCheck(),
		rotation(b),
		w.oneReversed(),
		w.allReversed(),
		w.pattern(b),
		w.leading(b),
		lastWalk(b),
		handReadings("C14", "current ratio against a clamp meter", b, model.Current,
			`current.l1 "12.5 A"`),
		w.agree("C15", "apparent power equals voltage times current",
			func(p *phaseSeen) pile { return p.vi }, 1, 0.02,
			"check the scale of the power registers"),
		w.agree("C16", "P² + Q² = S²", func(p *phaseSeen) pile { return p.pqs }, 1, 0.03,
			"strong harmonics, or the meter defines reactive power differently"),
		w.agree("C17", "power factor agrees with P/S", func(p *phaseSeen) pile { return p.factor },
			0, 0.02, "check the register and scale of the power factor"),
		w.totals(),
		w.idleCurrents(),
		w.neutralCurrent(),
		w.counter(),
		w.speeds(),
		w.sag(b),
		w.coldSoak(),
		w.oilAtRest(),
		w.windows(),
		w.reversedCouple(),
		w.followers(),
		handReadings("C29", "battery against a hand meter", b, model.NoQuantity,
			`battery.voltage "12.6 V"`),
		w.contacts(),
		w.refresh(),
		w.housekeeping(b),
		w.limits(b),
		w.stuck(),
	}
	return append(all, w.neutralPlace(b), w.calibrations(b), w.starPoint(), w.voltageTaps())
}

func (w *Evidence) answering() model.Check {
	const code, title = "C01", "every device answers"
	var bad, good []string
	for _, g := range slices.Sorted(maps.Keys(w.devices)) {
		d := w.devices[g]
		if d.asked < 50 {
			continue
		}
		share := float64(d.good) / float64(d.asked)
		words := fmt.Sprintf("%s answered %.1f %% of %d polls", g, 100*share, d.asked)
		if len(d.lags) > 0 {
			words += fmt.Sprintf(", 95 %% of them within %.0f ms", 1000*d.lags.quantile(0.95))
		}
		if share < 0.98 {
			bad = append(bad, words)
		} else {
			good = append(good, words)
		}
	}
	if len(bad)+len(good) == 0 {
		return notDetermined(code, title, "fewer than 50 polls are on record")
	}
	return check(code, title, len(bad) > 0, strings.Join(append(bad, good...), "; "),
		"check plugs, termination, unit numbers and baud rate")
}

// orders tries the other word orders where what a wide register gives makes no
// sense, whether it was taken for good or thrown out as implausible.
func (w *Evidence) orders() model.Check {
	const code, title = "C02", "word order and type"
	var bad []string
	wide := 0
	for _, id := range slices.Sorted(maps.Keys(w.known)) {
		p, seen := w.known[id], w.points[id]
		if p.Sensor != nil || p.Register.Type.Words() < 2 || seen == nil ||
			seen.good+seen.odd == 0 {
			continue
		}
		wide++
		read := seen.values.median()
		if seen.odd > seen.good {
			read = seen.wild.median()
		}
		if r, ok := suggestRegister(p, read); ok {
			bad = append(bad,
				fmt.Sprintf("%s is plausible with type: %s, word order: %s", id, r.Type, r.Order))
		}
	}
	if wide == 0 {
		return notDetermined(code, title, "no point with two or more registers was read")
	}
	words := strings.Join(bad, "; ")
	if len(bad) == 0 {
		words = "no value is more plausible in another order"
	}
	return check(code, title, len(bad) > 0, words, "enter it in the configuration")
}

// suggestRegister returns the register in whose word order, or failing that as
// a float, a value that makes no sense would make some; false when the value is
// sensible or nothing helps. The words are those that read as v.
func suggestRegister(p model.Point, v float64) (model.Register, bool) {
	fits := func(x float64) bool {
		return sensible(p.Quantity, x) && (p.Low == 0 && p.High == 0 || x >= p.Low && x <= p.High)
	}
	if fits(v) || math.IsNaN(v) {
		return model.Register{}, false
	}
	raw := p.Register.Encode(v, 0)
	for _, typ := range []model.RegisterType{p.Register.Type, floatOf(p.Register.Type)} {
		for o := range model.WordOrder(4) {
			r := p.Register
			if r.Order = o; typ != r.Type {
				r.Type, r.Resolution = typ, model.Resolution{}
			}
			if x, cause := r.Decode(raw, 0); cause == model.NoCause && fits(x) && x != 0 {
				return r, true
			}
		}
	}
	return model.Register{}, false
}

// floatOf is the float as wide as a type.
func floatOf(t model.RegisterType) model.RegisterType {
	if t.Words() == 4 {
		return model.Float64
	}
	return model.Float32
}

// sensible bounds what a small set can show.
func sensible(q model.Quantity, v float64) bool {
	a := math.Abs(v)
	switch q {
	case model.Voltage:
		return a == 0 || a >= 1 && a <= 1000
	case model.Frequency:
		return v == 0 || v >= 15 && v <= 70
	case model.Current:
		return a == 0 || a >= 1e-3 && a <= 2000
	case model.ActivePower, model.ReactivePower, model.ApparentPower:
		return a == 0 || a >= 0.1 && a <= 2e6
	case model.PowerFactor:
		return a <= 1.001
	case model.Temperature:
		return v > -60 && v < 1300
	}
	return true
}

func (w *Evidence) starDelta() model.Check {
	const code, title = "C04", "line voltages are √3 times phase voltages"
	if len(w.lines.ratio) < least {
		return notDetermined(code, title, "no voltages at rated speed yet")
	}
	r := w.lines.ratio.median()
	do := "check the registers of line and phase voltages, and the voltage leads"
	if math.Abs(r-1) < 0.02 {
		do = "phase voltages read line voltage: correct the registers"
	}
	return check(code, title, math.Abs(r/math.Sqrt(3)-1) > 0.01,
		fmt.Sprintf("the ratio is %.3f", r), do)
}

func (w *Evidence) medians(of func(*phaseSeen) pile) (v [3]float64, ok bool) {
	for k := range 3 {
		p := of(&w.phase[k])
		if len(p) < least {
			return v, false
		}
		v[k] = p.median()
	}
	return v, true
}

func phaseLN(p *phaseSeen) pile { return p.ln }

// neutralLead finds the neutral on a phase's terminal: two phase voltages read
// line voltage and the third phase voltage.
func (w *Evidence) neutralLead() model.Check {
	const code, title = "C05", "neutral is on the meter's N"
	ln, ok := w.medians(phaseLN)
	if !ok {
		return notDetermined(code, title, "no voltages at rated speed yet")
	}
	low := slices.Index(ln[:], slices.Min(ln[:]))
	others := (sum(ln) - ln[low]) / 2
	wrong := math.Abs(others/ln[low]/math.Sqrt(3)-1) < 0.05
	return check(code, title, wrong,
		fmt.Sprintf("phase voltages %.0f, %.0f, %.0f V", ln[0], ln[1], ln[2]),
		fmt.Sprintf("the leads of N and %s are swapped at the meter", phaseNames[low]))
}

func (w *Evidence) openLead() model.Check {
	const code, title = "C06", "no voltage lead is open"
	ln, ok := w.medians(phaseLN)
	if !ok {
		return notDetermined(code, title, "no voltages at rated speed yet")
	}
	low := slices.Index(ln[:], slices.Min(ln[:]))
	return check(code, title, ln[low] < 0.2*slices.Max(ln[:]),
		fmt.Sprintf("phase voltages %.0f, %.0f, %.0f V", ln[0], ln[1], ln[2]),
		"the lead or fuse of "+phaseNames[low]+" is open")
}

func (w *Evidence) neutralCheck() model.Check {
	const code, title = "C07", "the neutral is intact"
	if w.neutral.seen < inARow {
		return notDetermined(code, title, "phase and line voltages were not measured together")
	}
	c := check(
		code,
		title,
		w.neutral.open > 0,
		fmt.Sprintf("%d of %d readings show a break", w.neutral.open, w.neutral.seen),
		"switch the loads off to protect appliances, then find the break between star point "+
			"and board",
	)
	if star := w.loads.ended().star; w.neutral.open == 0 &&
		(star.lastClosed || star.still > 0 && star.moved == 0) {
		return notDetermined(code, title,
			"the meter may calculate the phase voltages without N; see C37")
	}
	if w.neutral.open > 0 {
		c.Words += fmt.Sprintf("; star-point shift up to %.0f V", w.neutral.shift)
	}
	return c
}

func rotation(b Context) model.Check {
	const code, title = "C08", "phase rotation"
	for i := len(b.Hand) - 1; i >= 0; i-- {
		if m := b.Hand[i].Hand; m != nil && m.Kind == model.PhaseRotation {
			return check(code, title, m.Value != 1, "by a rotation indicator at "+m.Points,
				"swap two phases: motors would turn backwards")
		}
	}
	return notDetermined(
		code,
		title,
		"the meter does not show it: use a rotation indicator and enter the result as a "+
			"measurement",
	)
}

func (w *Evidence) oneReversed() model.Check {
	const code, title = "C09", "no single current transformer is reversed"
	var bad []string
	n := 0
	for k := range 3 {
		if len(w.phase[k].pf) < least {
			continue
		}
		n++
		pf := w.phase[k].pf.median()
		if math.Abs(pf) < 0.5 {
			return notDetermined(
				code,
				title,
				fmt.Sprintf(
					"%s has a power factor of %.2f: there may be more than one mistake; see C11",
					phaseNames[k], pf),
			)
		}
		if pf < -0.8 {
			bad = append(bad, phaseNames[k])
		}
	}
	if n == 0 {
		return notDetermined(code, title, "no phase carried load yet")
	}
	if len(bad) == 3 {
		return check(code, title, false, "all three phases are negative; see C10", "")
	}
	words := "no phase has negative power"
	if len(bad) > 0 {
		words = "the power of " + strings.Join(bad, " and ") + " is negative at a good power factor"
	}
	return check(code, title, len(bad) > 0, words,
		"short the current transformer, then reverse it or its two leads")
}

// allReversed holds the set's power against its currents: what a set delivers is
// positive in total, whatever single phases show.
func (w *Evidence) allReversed() model.Check {
	const code, title = "C10", "delivered power is positive"
	if len(w.lines.delivered) < least {
		return notDetermined(code, title, "no load with power and currents was measured")
	}
	pf := w.lines.delivered.median()
	return check(
		code,
		title,
		pf < backwardsBelow,
		fmt.Sprintf("total power is %.2f of voltage times current", pf),
		"the current transformers are reversed, or the meter uses the opposite sign: do the "+
			"one-heater walk, then reverse them or use the meter's import registers",
	)
}

func lastWalk(b Context) model.Check {
	for i := len(b.Walks) - 1; i >= 0; i-- {
		if checks := b.Walks[i].Checks; len(checks) > 0 {
			return checks[0]
		}
	}
	return notDetermined("C13", "one-heater walk",
		"not done yet: it takes four minutes, by tickover wiring walk")
}

func (w *Evidence) agree(code, title string, of func(*phaseSeen) pile, want, slack float64,
	do string) model.Check {
	worst, n := want, 0
	for k := range 3 {
		p := of(&w.phase[k])
		if len(p) < least {
			continue
		}
		n++
		if m := p.median(); math.Abs(m-want) > math.Abs(worst-want) {
			worst = m
		}
	}
	if n == 0 {
		return notDetermined(code, title, "no loaded phase with these points was measured")
	}
	return check(code, title, math.Abs(worst-want) > slack,
		fmt.Sprintf("largest error: %.3f, correct is %.0f", math.Round(1000*worst)/1000+0, want),
		do)
}

func (w *Evidence) totals() model.Check {
	const code, title = "C18", "phases add up to the total"
	if len(w.lines.total) < least {
		return notDetermined(code, title, "no load with power per phase and in total was measured")
	}
	r := w.lines.total.median()
	return check(code, title, math.Abs(r-1) > 0.01,
		fmt.Sprintf("the sum of the phases is %.3f of the total", r),
		"check the registers and scales of the powers")
}

func (w *Evidence) idleCurrents() model.Check {
	const code, title = "C19", "no current at standstill"
	worst, n := 0.0, 0
	for k := range 3 {
		if len(w.still[k]) >= least {
			n++
			worst = max(worst, w.still[k].median())
		}
	}
	if n == 0 {
		return notDetermined(code, title, "the meter was not read at standstill")
	}
	return check(code, title, worst > 0.005*max(w.rating.Current(), 20),
		fmt.Sprintf("at most %.2f A", worst),
		"the current input has an offset or picks up interference")
}

func (w *Evidence) counter() model.Check {
	const code, title = "C21", "energy counter agrees with power"
	e := w.energy
	if e.duration < 30*time.Minute || e.joules < 0.05*w.rating.ActivePower()*e.duration.Seconds() {
		return notDetermined(code, title, "half an hour on load without a gap is needed")
	}
	r := (e.last - e.first) / e.joules
	return check(
		code,
		title,
		math.Abs(r-1) > 0.02,
		fmt.Sprintf("the counter rose by %.3f of the integrated power in %s", r,
			model.Lasting(e.duration.Round(time.Minute))),
		"check the counter's scale and direction",
	)
}

func (w *Evidence) speeds() model.Check {
	const code, title = "C22", "frequency agrees with speed"
	if len(w.speed) < least {
		return notDetermined(code, title, "frequency and speed were not measured together")
	}
	r := w.speed.median()
	return check(code, title, math.Abs(r-1) > 0.01,
		fmt.Sprintf("the frequency is %.3f of the value from the speed", r),
		"correct the pulses per revolution or the number of poles")
}
