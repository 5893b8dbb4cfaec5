package wiring

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"tickover/model"
)

// neutralCurrent holds the neutral's transformer against phases loaded alone
// or alike, as ordinary loads bring them.
func (w *Evidence) neutralCurrent() model.Check {
	const code, title = "C20", "neutral current"
	if p := w.points[model.CurrentN]; p == nil || p.good == 0 {
		return notDetermined(code, title, "no neutral current is measured")
	}
	var seen, bad []string
	if len(w.single) >= least {
		r := w.single.median()
		seen = append(seen,
			fmt.Sprintf("with one phase loaded, the neutral carries %.2f of its current", r))
		if math.Abs(r-1) > 0.15 {
			bad = append(
				bad,
				"check the ratio of the neutral's transformer, and on which side of the "+
					"neutral-earth bond it is",
			)
		}
	}
	if len(w.even) >= least {
		r := w.even.median()
		seen = append(seen,
			fmt.Sprintf("with equal load on all phases, it carries %.2f of theirs", r))
		if r > 0.1 {
			bad = append(
				bad,
				"equal loads with a neutral current: strong third harmonics, or one current "+
					"transformer is wrong",
			)
		}
	}
	if len(seen) == 0 {
		return notDetermined(
			code,
			title,
			"needs a load on one phase alone or equal load on all three; the one-heater walk "+
				"does it",
		)
	}
	return check(code, title, len(bad) > 0, strings.Join(seen, "; "), strings.Join(bad, "; "))
}

// fewSwitchings is how many loads of one phase must have come on.
const fewSwitchings = 3

// sag looks whether the loaded phase falls most: at the walk if there was one,
// else at the loads of one phase that came on.
func (w *Evidence) sag(b Context) model.Check {
	const code, title = "C23", "the loaded phase has the largest voltage drop"
	for i := len(b.Walks) - 1; i >= 0; i-- {
		for _, c := range b.Walks[i].Checks {
			if c.Code == code {
				return c
			}
		}
	}
	n, right := 0, 0
	for _, s := range w.loads.steps {
		fell := 0
		for k := range 3 {
			if s.sag[k] > s.sag[fell] {
				fell = k
			}
		}
		if s.two || s.sag[fell] < 0.5 {
			continue
		}
		if n++; fell == s.input {
			right++
		}
	}
	if n < fewSwitchings {
		return notDetermined(
			code,
			title,
			fmt.Sprintf(
				"%d single-phase loads changed a voltage; three are needed, or the one-heater walk",
				n),
		)
	}
	words := fmt.Sprintf("true for %d of %d single-phase loads", right, n)
	if right > 0 && right < n {
		return notDetermined(code, title, words+": other loads changed too")
	}
	return check(code, title, right == 0, words,
		"currents and voltages are of different phases: do the one-heater walk")
}

func (w *Evidence) coldSoak() model.Check {
	const code, title = "C24", "temperatures agree after 10 h at standstill"
	if !w.soaked || len(w.soak) < 2 {
		return notDetermined(code, title, "needs ten hours of standstill on record")
	}
	values := slices.Sorted(maps.Values(w.soak))
	spread := values[len(values)-1] - values[0]
	return check(code, title, spread > 5, fmt.Sprintf("they agree within %.1f K", spread),
		"check sensor, table and wire of the one that differs")
}

func (w *Evidence) oilAtRest() model.Check {
	const code, title = "C25", "oil pressure is zero at standstill"
	if len(w.oilRest) < least {
		return notDetermined(code, title,
			"needs five minutes of standstill with oil pressure on record")
	}
	m := w.oilRest.median()
	return check(code, title, math.Abs(m) > 0.15e5, "it shows "+model.Pressure.ShowWithUnit(m),
		"correct the range or the zero of the transmitter")
}

// windows finds sensors whose signal shows that they failed.
func (w *Evidence) windows() model.Check {
	const code, title = "C26", "no sensor signals a failure"
	var bad []string
	n := 0
	for _, p := range w.setup.Sensed {
		seen := w.points[p.ID]
		if seen == nil {
			continue
		}
		n++
		if all := seen.good + seen.failed + seen.odd; seen.failed+seen.odd > all/50 {
			bad = append(
				bad,
				fmt.Sprintf("%s (%s) failed in %d and was out of range in %d of %d readings", p.ID,
					p.Sensor.Words, seen.failed, seen.odd, all),
			)
		}
	}
	if n == 0 {
		return notDetermined(code, title, "no sensor is configured")
	}
	words := fmt.Sprintf("%d sensors checked, none signals a failure", n)
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words,
		"check for a break, a short, reversed polarity or a wrong sensor type")
}

// reversedCouple finds a thermocouple that reads lower when warmed.
func (w *Evidence) reversedCouple() model.Check {
	const code, title = "C27", "thermocouple polarity"
	ambient := math.NaN()
	if p := w.points[model.AmbientTemperature]; p != nil && p.good > 0 {
		ambient = p.values.median()
	}
	var bad []string
	n := 0
	for id, p := range w.points {
		point, ok := w.known[id]
		couple := ok && point.Sensor != nil && point.Sensor.Kind == model.ThermocoupleSensor
		if !couple && id != model.ExhaustTemperature || p.running < 3*time.Minute {
			continue
		}
		n++
		reference := ambient
		if math.IsNaN(reference) {
			reference = 0
		}
		if p.low < reference-8 {
			bad = append(bad,
				fmt.Sprintf("%s falls to %.0f °C while the engine warms up", id, p.low))
		}
	}
	if n == 0 {
		return notDetermined(code, title,
			"needs three minutes of running with a thermocouple on record")
	}
	slices.Sort(bad)
	words := "none reads lower when warmed"
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words, "swap its two wires")
}

// followers finds senders that go with the battery's volts.
func (w *Evidence) followers() model.Check {
	const code, title = "C28", "no sender follows the battery voltage"
	var bad []string
	n := 0
	for _, id := range slices.Sorted(maps.Keys(w.sender)) {
		r := w.sender[id].correlation()
		if math.IsNaN(r) {
			continue
		}
		n++
		if math.Abs(r) > 0.8 {
			bad = append(bad, fmt.Sprintf("%s follows the battery voltage (r = %.2f)", id, r))
		}
	}
	if n == 0 {
		return notDetermined(code, title,
			"no sender without a measured supply was read while the battery voltage changed")
	}
	words := "none does"
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words,
		"measure the supply too and configure sensor: ratio .. or table %, with this supply")
}

func (w *Evidence) contacts() model.Check {
	const code, title = "C30", "oil pressure switch and charge lamp switch over"
	var bad []string
	n := 0
	for i, name := range []string{"the oil pressure switch", "the charge lamp"} {
		c := w.lamp[i]
		rest, run := c.rest[0]+c.rest[1], c.run[0]+c.run[1]
		if run < least || rest < 2 {
			continue
		}
		n++
		on, off := 2*c.rest[1] > rest, 2*c.run[0] > run
		switch {
		case !on && !off:
			bad = append(bad, name+" is inverted")
		case !on:
			bad = append(bad, name+" is not on at standstill with the key on")
		case !off:
			bad = append(bad, name+" stays on while the engine runs")
		}
	}
	if n == 0 {
		return notDetermined(code, title,
			"needs key on at standstill and 20 s of running with these contacts on record")
	}
	words := "on at standstill, off when running"
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words,
		"check for a wrong terminal, a dead switch or a blown lamp, or configure inverted: yes")
}

// fewLive is how many values must repeat together before a device counts
// as not refreshed: one alone may repeat its last digit.
const fewLive = 3

// joined lists points as text.
func joined(ids []model.PointID) string {
	var names []string
	for _, id := range ids {
		names = append(names, string(id))
	}
	return strings.Join(names, " and ")
}

// refresh is how often a device really takes a new value.
func (w *Evidence) refresh() model.Check {
	const code, title = "C31", "refresh rate of the meters"
	var words, open []string
	slow := false
	for _, g := range slices.Sorted(maps.Keys(w.devices)) {
		d := w.devices[g]
		if d.reads < 30 || d.changed == 0 {
			continue
		}
		if repeats := float64(d.changed) <= 0.9*float64(d.reads); repeats && len(d.live) < fewLive {
			names := slices.Sorted(maps.Keys(d.live))
			open = append(open,
				fmt.Sprintf("%s has only %s, which may repeat a digit", g, joined(names)))
			continue
		}
		every, polled := d.span.Seconds()/float64(d.changed), d.span.Seconds()/float64(d.reads)
		if float64(d.changed) > 0.9*float64(d.reads) {
			words = append(
				words,
				fmt.Sprintf("%s has a new value at nearly every poll, every %.2g s or faster", g,
					polled),
			)
			continue
		}
		slow = true
		words = append(
			words,
			fmt.Sprintf(
				"%s is polled every %.2g s but has a new value every %.2g s: faster polling "+
					"gains nothing",
				g,
				polled,
				every,
			),
		)
	}
	if len(words) == 0 {
		return notDetermined(code, title,
			cmp.Or(strings.Join(open, "; "), "needs thirty polls of a running set on record"))
	}
	c := check(code, title, false, strings.Join(append(words, open...), "; "), "")
	if slow {
		c.Do = "poll no faster than the meter measures; faster transients do not show"
	}
	return c
}

// Bounds of the logger's own computer.
const (
	leastDisk = 200 << 20 // bytes
	hotBoard  = 75.0      // °C: 5 K below where small boards slow down (from memory)
	wornCard  = 0.8       // of the life the card gives itself
)

// housekeeping looks at the logger itself: its clock, its store, and what the
// computer reports of its supply and temperature.
func (w *Evidence) housekeeping(b Context) model.Check {
	const code, title = "C32", "clock, store and supply of the logger"
	var bad, do, good []string
	say := func(wrong bool, words, remedy string) {
		if wrong {
			bad, do = append(bad, words), append(do, remedy)
		}
	}
	say(b.Store.Degraded != "", "the store keeps less than it should: "+b.Store.Degraded,
		"check the card and its free space")
	say(b.Store.FreeDisk > 0 && b.Store.FreeDisk < leastDisk, "less than 200 MiB are free",
		"free space on the card")
	for _, f := range []struct {
		id                   model.PointID
		limit                float64
		wrong, right, remedy string
	}{
		{model.HostUndervoltage, 0.5, "the logger's supply was too low", "its supply was in " +
			"order", "check the logger's converter, its fuse and its leads"},
		{model.HostUndervoltageSeen, 0.5, "its supply was too low at some time since it was " +
			"switched on", "", "check the logger's converter, its fuse and its leads"},
		{model.HostThrottled, 0.5, "the computer was throttled", "", "check its supply and its " +
			"ventilation"},
		{model.HostTemperature, hotBoard, "the computer was over 75 °C", "its temperature was " +
			"in order", "move it away from radiator and exhaust"},
		{model.HostCardWear, wornCard, "the card has used 80 % of its life", "",
			"back up the store and replace the card"},
	} {
		if p := w.points[f.id]; p != nil && p.good > 0 {
			if say(p.high >= f.limit, f.wrong, f.remedy); p.high < f.limit && f.right != "" {
				good = append(good, f.right)
			}
		}
	}
	untimed := b.Clock == model.ClockUnknown || b.Clock == model.ClockUnsynchronised
	const noTime = "the time of day is not confirmed"
	if untimed && b.Clock == model.ClockUnsynchronised && len(bad) == 0 {
		return notDetermined(code, title, noTime+"; set it from a phone")
	}
	say(untimed, noTime, "set the time from a phone")
	if len(good) == 0 {
		good = []string{"the computer does not report its supply and temperature"}
	}
	words := "the time is known (" + b.Clock.String() + "), the store keeps everything, " +
		strings.Join(good, ", ")
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words, strings.Join(slices.Compact(do), "; "))
}

// limits looks whether every warning comes before its critical alarm.
func (w *Evidence) limits(b Context) model.Check {
	const code, title = "C33", "alarm limits are consistent"
	if len(b.Alarms) == 0 {
		return notDetermined(code, title, "the alarm rules in force are not known")
	}
	var bad []string
	for _, warn := range b.Alarms {
		for _, crit := range b.Alarms {
			if warn.WarnsAfter(crit) {
				bad = append(bad, fmt.Sprintf("%s warns only after %s", warn.ID, crit.ID))
			}
		}
		if warn.Deadband < 0 {
			bad = append(bad, warn.ID+" has a negative deadband")
		}
	}
	words := "warnings come before critical alarms"
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words, "swap the limits, or correct the deadband")
}

// stuck finds values that never moved through minutes of running, and those at
// the end of their range.
func (w *Evidence) stuck() model.Check {
	const code, title = "C34", "no value is stuck or at the end of its range"
	var bad []string
	n := 0
	for _, id := range slices.Sorted(maps.Keys(w.points)) {
		p, q := w.points[id], w.known[id].Quantity
		if q == model.NoQuantity {
			q, _ = model.KnownQuantity(id)
		}
		moves := q == model.Temperature && id != model.AmbientTemperature || q == model.Pressure ||
			id == model.BatteryVoltage ||
			id == model.SpeedPoint
		if !moves || p.good < 60 || p.running < 3*time.Minute {
			continue
		}
		n++
		if p.low == p.high {
			bad = append(bad, fmt.Sprintf("%s shows %s all the time", id, q.ShowWithUnit(p.low)))
		} else if s := w.known[id].Sensor; s != nil && s.Kind == model.LinearSensor &&
			p.values.median() >= s.Out[1]*0.999 && s.Out[1] > 0 {
			bad = append(bad, fmt.Sprintf("%s is at the top of its range", id))
		}
	}
	if n == 0 {
		return notDetermined(code, title, "needs three minutes of running on record")
	}
	words := fmt.Sprintf("%d values changed with the engine", n)
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words,
		"tap the sensor; check for a frozen adapter or a wrong range")
}
