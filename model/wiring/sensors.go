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
		seen = append(seen, fmt.Sprintf("with one phase loaded the neutral carries %.2f of its current", r))
		if math.Abs(r-1) > 0.15 {
			bad = append(bad, "its transformer is scaled wrong, or sits on the wrong side of the neutral-earth bond")
		}
	}
	if len(w.even) >= least {
		r := w.even.median()
		seen = append(seen, fmt.Sprintf("with the phases loaded alike it carries %.2f of theirs", r))
		if r > 0.1 {
			bad = append(bad, "loads alike that give a neutral current have strong third harmonics, or one of the transformers is wrong")
		}
	}
	if len(seen) == 0 {
		return notDetermined(code, title, "neither one phase alone nor all three alike were loaded; the one-heater walk does it")
	}
	return check(code, title, len(bad) > 0, strings.Join(seen, "; "), strings.Join(bad, "; "))
}

// fewSwitchings is how many loads of one phase must have come on.
const fewSwitchings = 3

// sag looks whether the loaded phase falls most: at the walk if there was one,
// else at the loads of one phase that came on.
func (w *Evidence) sag(b Context) model.Check {
	const code, title = "C23", "the loaded phase falls most"
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
		return notDetermined(code, title, fmt.Sprintf("%d loads of one phase came on that moved a voltage; three are needed, or the one-heater walk", n))
	}
	words := fmt.Sprintf("it did at %d of %d loads of one phase that came on", right, n)
	if right > 0 && right < n {
		return notDetermined(code, title, words+": other loads moved too")
	}
	return check(code, title, right == 0, words, "currents and voltages belong to different phases: do the one-heater walk")
}

func (w *Evidence) coldSoak() model.Check {
	const code, title = "C24", "temperatures agree after ten cold hours"
	if !w.soaked || len(w.soak) < 2 {
		return notDetermined(code, title, "ten hours of standstill are not in this stretch of the record")
	}
	values := slices.Sorted(maps.Values(w.soak))
	spread := values[len(values)-1] - values[0]
	return check(code, title, spread > 5, fmt.Sprintf("they lie within %.1f K", spread), "the odd one has a wrong sensor, table or wire")
}

func (w *Evidence) oilAtRest() model.Check {
	const code, title = "C25", "oil pressure is zero at rest"
	if len(w.oilRest) < least {
		return notDetermined(code, title, "five minutes of standstill with oil pressure are not on record")
	}
	m := w.oilRest.median()
	return check(code, title, math.Abs(m) > 0.15e5, "it shows "+model.Pressure.ShowWithUnit(m), "the range or the zero of the transmitter is wrong")
}

// windows finds sensors whose signal shows that they failed.
func (w *Evidence) windows() model.Check {
	const code, title = "C26", "no sensor signals failure"
	var bad []string
	n := 0
	for _, p := range w.setup.Sensed {
		seen := w.points[p.ID]
		if seen == nil {
			continue
		}
		n++
		if all := seen.good + seen.failed + seen.odd; seen.failed+seen.odd > all/50 {
			bad = append(bad, fmt.Sprintf("%s (%s) failed in %d and was out of its range in %d of %d readings", p.ID, p.Sensor.Words, seen.failed, seen.odd, all))
		}
	}
	if n == 0 {
		return notDetermined(code, title, "no point has a sensor described")
	}
	words := fmt.Sprintf("sensors looked at: %d, signalling failure: none", n)
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words, "look for a break, a short, reversed polarity or a wrong kind of sensor; tickover peek shows the raw signal")
}

// reversedCouple finds a thermocouple that reads lower when warmed.
func (w *Evidence) reversedCouple() model.Check {
	const code, title = "C27", "thermocouples are the right way round"
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
			bad = append(bad, fmt.Sprintf("%s falls to %.0f °C while the engine warms it", id, p.low))
		}
	}
	if n == 0 {
		return notDetermined(code, title, "three minutes of running with a thermocouple are not on record")
	}
	slices.Sort(bad)
	words := "none reads lower when warmed"
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words, "exchange its two wires")
}

// followers finds senders that go with the battery's volts.
func (w *Evidence) followers() model.Check {
	const code, title = "C28", "no sender follows the battery"
	var bad []string
	n := 0
	for _, id := range slices.Sorted(maps.Keys(w.sender)) {
		r := w.sender[id].correlation()
		if math.IsNaN(r) {
			continue
		}
		n++
		if math.Abs(r) > 0.8 {
			bad = append(bad, fmt.Sprintf("%s moves with the battery (r = %.2f)", id, r))
		}
	}
	if n == 0 {
		return notDetermined(code, title, "no sender is read without its supply while the battery moved")
	}
	words := "none does"
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words, "measure the supply too and write sensor: ratio .. or table %, supply from it")
}

func (w *Evidence) contacts() model.Check {
	const code, title = "C30", "oil switch and charge lamp toggle"
	var bad []string
	n := 0
	for i, name := range []string{"the oil switch", "the charge lamp"} {
		c := w.lamp[i]
		rest, run := c.rest[0]+c.rest[1], c.run[0]+c.run[1]
		if run < least || rest < 2 {
			continue
		}
		n++
		on, off := 2*c.rest[1] > rest, 2*c.run[0] > run
		switch {
		case !on && !off:
			bad = append(bad, name+" reads the wrong way round")
		case !on:
			bad = append(bad, name+" is not on at rest with the key on")
		case !off:
			bad = append(bad, name+" stays on while the engine runs")
		}
	}
	if n == 0 {
		return notDetermined(code, title, "key on at rest and 20 s of running with these contacts are not both on record")
	}
	words := "on at rest, off running"
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words, "look for a wrong terminal, a dead switch, a blown lamp, or write inverted: yes")
}

// fewLive is how many values must stand still together before a device is said
// to have taken no new ones: one alone may repeat its last digit.
const fewLive = 3

// joined lists points in words.
func joined(ids []model.PointID) string {
	var names []string
	for _, id := range ids {
		names = append(names, string(id))
	}
	return strings.Join(names, " and ")
}

// refresh tells how often a device really takes a new value.
func (w *Evidence) refresh() model.Check {
	const code, title = "C31", "true refresh of the meters"
	var words, open []string
	slow := false
	for _, g := range slices.Sorted(maps.Keys(w.devices)) {
		d := w.devices[g]
		if d.reads < 30 || d.changed == 0 {
			continue
		}
		if repeats := float64(d.changed) <= 0.9*float64(d.reads); repeats && len(d.live) < fewLive {
			names := slices.Sorted(maps.Keys(d.live))
			open = append(open, fmt.Sprintf("%s gives %s alone, which may repeat a digit", g, joined(names)))
			continue
		}
		every, polled := d.span.Seconds()/float64(d.changed), d.span.Seconds()/float64(d.reads)
		if float64(d.changed) > 0.9*float64(d.reads) {
			words = append(words, fmt.Sprintf("%s has a new value at nearly every poll, each %.2g s or faster", g, polled))
			continue
		}
		slow = true
		words = append(words, fmt.Sprintf("%s is polled each %.2g s but has a new value each %.2g s: polling faster gains nothing", g, polled, every))
	}
	if len(words) == 0 {
		return notDetermined(code, title, cmp.Or(strings.Join(open, "; "), "thirty polls of a running set are not on record"))
	}
	c := check(code, title, false, strings.Join(append(words, open...), "; "), "")
	if slow {
		c.Do = "poll no faster than the meter measures, and read transients with that in mind"
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
// computer tells of its supply and temperature.
func (w *Evidence) housekeeping(b Context) model.Check {
	const code, title = "C32", "clock, store and supply of the logger"
	var bad, do, good []string
	say := func(wrong bool, words, remedy string) {
		if wrong {
			bad, do = append(bad, words), append(do, remedy)
		}
	}
	say(b.Store.Degraded != "", "the store keeps less than it should: "+b.Store.Degraded, "look at the card and its free space")
	say(b.Store.FreeDisk > 0 && b.Store.FreeDisk < leastDisk, "less than 200 MiB are free", "free space on the card")
	for _, f := range []struct {
		id                   model.PointID
		limit                float64
		wrong, right, remedy string
	}{
		{model.HostUndervoltage, 0.5, "the logger's supply was too low", "its supply held", "look at the logger's converter, its fuse and its leads"},
		{model.HostUndervoltageSeen, 0.5, "its supply was too low at some time since it was switched on", "", "look at the logger's converter, its fuse and its leads"},
		{model.HostThrottled, 0.5, "the computer slowed itself down", "", "look at its supply and give it air"},
		{model.HostTemperature, hotBoard, "the computer was over 75 °C", "its temperature was in order", "move it away from radiator and exhaust"},
		{model.HostCardWear, wornCard, "the card has used 80 % of its life", "", "copy the store and put a new card in"},
	} {
		if p := w.points[f.id]; p != nil && p.good > 0 {
			if say(p.high >= f.limit, f.wrong, f.remedy); p.high < f.limit && f.right != "" {
				good = append(good, f.right)
			}
		}
	}
	untimed := b.Clock == model.ClockUnknown || b.Clock == model.ClockUnsynchronised
	const noTime = "nothing vouches for the time of day"
	if untimed && b.Clock == model.ClockUnsynchronised && len(bad) == 0 {
		return notDetermined(code, title, noTime+"; set it from a telephone")
	}
	say(untimed, noTime, "set the time from a telephone")
	if len(good) == 0 {
		good = []string{"the computer tells nothing of its supply and temperature"}
	}
	words := "the time is known (" + b.Clock.String() + "), the store keeps everything, " + strings.Join(good, ", ")
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words, strings.Join(slices.Compact(do), "; "))
}

// limits looks whether every warning comes before its critical alarm.
func (w *Evidence) limits(b Context) model.Check {
	const code, title = "C33", "limits make sense"
	if len(b.Alarms) == 0 {
		return notDetermined(code, title, "the rules in force are not at hand")
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
	return check(code, title, len(bad) > 0, words, "exchange the limits, or mend the deadband")
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
		moves := q == model.Temperature && id != model.AmbientTemperature || q == model.Pressure || id == model.BatteryVoltage || id == model.SpeedPoint
		if !moves || p.good < 60 || p.running < 3*time.Minute {
			continue
		}
		n++
		if p.low == p.high {
			bad = append(bad, fmt.Sprintf("%s shows %s and nothing else", id, q.ShowWithUnit(p.low)))
		} else if s := w.known[id].Sensor; s != nil && s.Kind == model.LinearSensor && p.values.median() >= s.Out[1]*0.999 && s.Out[1] > 0 {
			bad = append(bad, fmt.Sprintf("%s sits at the top of its range", id))
		}
	}
	if n == 0 {
		return notDetermined(code, title, "three minutes of running are not on record")
	}
	words := fmt.Sprintf("%d values moved with the engine", n)
	if len(bad) > 0 {
		words = strings.Join(bad, "; ")
	}
	return check(code, title, len(bad) > 0, words, "tap the sensor, look for a frozen adapter or a wrong range")
}

// neutralPlace asks where the neutral is sensed, without which C07 may see
// nothing.
func (w *Evidence) neutralPlace(Context) model.Check {
	const code, title = "C35", "where the neutral is sensed"
	for _, f := range w.setup.Machine {
		if strings.EqualFold(f.Name, "neutral sensed at") {
			return check(code, title, false, "at "+f.Text+": a break is seen only when it lies between there and the star point", "")
		}
	}
	return model.Check{Code: code, Title: title, Words: "it is not said; a break beyond the meter's neutral lead is not seen",
		Do: "take N at the board's neutral bar, and note it: tickover measure fact \"neutral sensed at\" \"neutral bar of the board\""}
}
