package wiring

import (
	"math"
	"slices"
	"strings"
	"time"

	"tickover/model"
	"tickover/model/electrical"
)

// neutralSeen follows the star point. Two readings in a row that speak for a
// broken neutral count: at two a second that is one second of data.
type neutralSeen struct {
	seen, inRow, open int
	first             model.Instant // when it was first told
	shift             float64       // V, highest
}

// How far a whole neutral lets the star point lie off, as shares of the phase
// voltage when the neutral carries rated current, which is one phase loaded
// alone; it goes with that current. The alternator adds a third of its zero-sequence impedance, at
// most
// 10 % of its rated impedance in small salient-pole machines (from memory),
// and the lead from star point to board the drop it may have, 2.5 % (common
// practice). The uncertainty of the meter is added to both where a reading is held
// against them.
//
// A broken neutral shifts it by |ΣY·U|/|ΣY| of the loads' admittances: by 29 %
// at 3, 2 and 1 kW. With a class 0.5 meter and nothing known of the currents
// it shows from 9 % on at the latest; below, no phase is off by more, and appliances bear ±10 %
// (EN 50160,
// from memory).
const (
	alternatorZero = 0.10
	neutralLead    = 0.025
	leastShift     = alternatorZero/3 + neutralLead
)

// inARow is how many readings in a row must agree.
const inARow = 2

// carried is how much of rated current a whole neutral may carry now: what its
// transformer shows, else half as much again as the highest phase, which two
// phases of unlike power factors can send through it, else all of it.
func carried(m meterReading, rated float64) float64 {
	if !(rated > 0) {
		return 1
	}
	if allKnown(m.n) {
		return m.n / rated
	}
	if allKnown(m.i[:]...) {
		return 1.5 * slices.Max(m.i[:]) / rated
	}
	return 1
}

// see takes a reading; gain is how far each voltage may be off, a ratio.
func (n *neutralSeen) see(m meterReading, at model.Instant, r model.Rating, gain float64) {
	phase := phaseOf(r)
	if !allKnown(m.ln[:]...) || !allKnown(m.ll[:]...) || sum(m.ll) < 1.5*phase {
		return
	}
	n.seen++
	// A sense lead on neutral or open is another finding.
	for k := range 3 {
		if m.ln[k] < 0.1*phase || m.ln[k] > 1.6*phase ||
			math.Abs(m.ll[k]/math.Sqrt(3)/phase-1) > 0.25 {
			n.inRow = 0
			return
		}
	}
	shift, bound := electrical.ZeroSequence(m.ln, m.ll), leastShift*carried(m, r.Current())*phase
	if shift < bound || shift < bound+electrical.ZeroSequenceUncertainty(m.ln, m.ll, gain) ||
		!electrical.NeutralSuspect(m.ln, m.ll, gain) {
		n.inRow = 0
		return
	}
	n.shift = max(n.shift, shift)
	if n.inRow++; n.inRow >= inARow {
		if n.open == 0 {
			n.first = at
		}
		n.open++
	}
}

// energySeen holds the meter's counter against the sum of its power.
type energySeen struct {
	began    bool
	at       model.Instant
	first    float64
	last     float64
	joules   float64
	power    float64
	duration time.Duration
}

func (e *energySeen) see(m meterReading, at model.Instant, rating model.Rating) {
	p := m.total
	if !allKnown(p) {
		p = sum(m.p)
	}
	if !allKnown(p, m.energy) {
		return
	}
	d, same := at.Sub(e.at)
	switch {
	case !e.began, !same, d > 10*time.Second, m.energy < e.last:
		*e = energySeen{began: true,
			first: m.energy} // a gap or a counter that went back: begin anew
	default:
		e.joules += (p + e.power) / 2 * d.Seconds()
		e.duration += d
	}
	e.at, e.last, e.power = at, m.energy, p
}

// together follows how a sender's changes go with the battery's while the
// engine's state stays.
type together struct {
	sender, battery    float64
	state              model.EngineState
	known              bool
	n, xx, yy, xy, sag float64
}

// senders looks at tables and voltages that are not divided by their supply.
func (w *Evidence) senders() {
	battery, ok := w.last[model.BatteryVoltage]
	if !ok {
		return
	}
	for _, p := range w.setup.Sensed {
		if p.Sensor.Supply != "" ||
			p.Sensor.Kind != model.TableSensor &&
				(p.Sensor.Kind != model.LinearSensor || p.Sensor.Signal != model.Voltage) {
			continue
		}
		v, ok := w.last[p.ID]
		if !ok {
			continue
		}
		t := w.sender[p.ID]
		if t == nil {
			t = &together{}
			w.sender[p.ID] = t
		}
		t.see(v, battery, w.state)
	}
}

func (t *together) see(sender, battery float64, state model.EngineState) {
	if t.known && t.state == state {
		x, y := battery-t.battery, sender-t.sender
		if x != 0 || y != 0 {
			t.n, t.xx, t.yy, t.xy = t.n+1, t.xx+x*x, t.yy+y*y, t.xy+x*y
			t.sag = max(t.sag, math.Abs(x))
		}
	}
	t.sender, t.battery, t.state, t.known = sender, battery, state, true
}

// correlation is that of the changes; NaN when the battery hardly moved.
func (t *together) correlation() float64 {
	if t.n < 20 || t.sag < 0.2 {
		return math.NaN()
	}
	return t.xy / math.Sqrt(t.xx*t.yy)
}

// neutralPlace asks where the neutral is sensed, without which C07 may see
// nothing.
func (w *Evidence) neutralPlace(Context) model.Check {
	const code, title = "C35", "where the neutral is measured"
	for _, f := range w.setup.Machine {
		if strings.EqualFold(f.Name, "neutral sensed at") {
			return check(code, title, false,
				"at "+f.Text+": only a break between there and the star point shows", "")
		}
	}
	return model.Check{
		Code:  code,
		Title: title,
		Words: "not stated; a break beyond the meter's neutral lead does not show",
		Do: "connect N at the board's neutral bar and enter it: tickover measure fact " +
			"\"neutral sensed at\" \"neutral bar of the board\"",
	}
}
