package days

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"time"

	"tickover/model"
)

// DrawLoad draws a load that the set may carry for as long as it likes.
func (s *Set) DrawLoad(r *rand.Rand) Load {
	for {
		l := Even(between(r, 0.05, 0.97), between(r, 0.75, 1))
		switch r.IntN(4) {
		case 0: // a few percent apart
			for k := range l.Share {
				l.Share[k] = between(r, 0.92, 1.08)
			}
		case 1:
			l = s.OnePhase(between(r, 0.3, 0.9), r.IntN(3))
		case 2:
			l = Even(between(r, 0.05, 0.4), -0.9)
		}
		if s.mayCarry(l) {
			return l
		}
	}
}

// OnePhase is a resistive load on one phase alone, as a share of what the set
// permits there: its current, and its negative sequence, a third of that.
func (s *Set) OnePhase(share float64, phase int) Load {
	amps := share * min(0.97, 3*s.Rating.PermittedUnbalance())
	l := Load{Power: amps / 3 / s.Rating.PowerFactor * s.volts, Factor: 1}
	l.Share[phase] = 3
	return l
}

// mayCarry reports whether the load is within the rating and the card.
func (s *Set) mayCarry(l Load) bool {
	var amps [3]float64
	var negative complex128
	for k := range 3 {
		amps[k] = l.Power * s.Rating.PowerFactor * l.Share[k] / math.Abs(l.Factor) / s.volts
		negative += cmplx.Rect(amps[k]/3, -float64(k)*2*math.Pi/3*2)
	}
	return l.Power <= 0.97 && slices.Max(amps[:]) <= 0.97 && cmplx.Abs(negative) <= 0.92*s.Rating.PermittedUnbalance()
}

// Ordinary plans a whole day: rest, start, warming up, loads, cooling, stop and
// rest. Loads are those given, else drawn.
func Ordinary(s *Set, seed uint64, loads ...Load) *Day {
	d := NewDay(s, seed)
	r := d.random
	if loads == nil {
		for range 2 + r.IntN(4) {
			loads = append(loads, s.DrawLoad(r))
		}
		if chance(r, 0.3) && loads[len(loads)-1].Factor > 0 {
			loads = append(loads, Even(0.95, 0.95)) // full load, rejected
		}
	}
	at := seconds(between(r, 30, 70))
	d.act(at, "key on", func(d *Day) { d.key = true })
	at += seconds(between(r, 3, 12))
	at = d.crank(at)
	at += seconds(between(r, 20, 50))
	if s.idleSpeed > 0 {
		d.act(at, "to rated speed", func(d *Day) { d.enter(runningUp); d.idleSpeed = 0 })
		at += seconds(between(r, 30, 60))
	}
	for _, l := range loads {
		d.act(at, "load", func(d *Day) { d.Take(l) })
		at += seconds(between(r, 25, 80))
	}
	d.act(at, "load off", func(d *Day) { d.Take(Even(0, 1)) })
	at += seconds(between(r, 20, 90))
	at = d.stop(at)
	d.Length = at + seconds(d.runDown) + seconds(between(r, 120, 300))
	return d
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

func (d *Day) act(at time.Duration, name string, do func(*Day)) {
	d.Acts = append(d.Acts, Act{at, name, do})
}

// crank plans one crank or two, and returns when the engine fires.
func (d *Day) crank(at time.Duration) time.Duration {
	if chance(d.random, 0.25) {
		d.act(at, "crank in vain", func(d *Day) { d.enter(cranking) })
		at += seconds(between(d.random, 3, 7))
		d.act(at, "let go", func(d *Day) { d.enter(coasting) })
		at += seconds(between(d.random, 12, 30))
	}
	d.act(at, "crank", func(d *Day) { d.enter(cranking) })
	at += seconds(between(d.random, 1.5, 6))
	d.act(at, "fires", func(d *Day) {
		if d.fires {
			d.enter(runningUp)
		}
	})
	return at
}

// stop plans how the set is stopped by its own means.
func (d *Day) stop(at time.Duration) time.Duration {
	key := func(d *Day) { d.key = false }
	cut := func(d *Day) { d.enter(coasting) }
	switch d.Rating.StoppedBy {
	case model.ByLever, model.ByStopButton:
		if chance(d.random, 0.5) { // the key first
			d.act(at, "key off", key)
			at += seconds(between(d.random, 2, 100))
			d.act(at, "stopped by hand", cut)
			return at
		}
		d.act(at, "stopped by hand", cut)
		d.act(at+seconds(between(d.random, 1, 20)), "key off", key)
		return at
	}
	d.act(at, "key off", func(d *Day) { key(d); cut(d) })
	return at
}

// When returns the time of the first act of a name.
func (d *Day) When(name string) (time.Duration, bool) {
	i := slices.IndexFunc(d.Acts, func(a Act) bool { return a.Name == name })
	if i < 0 {
		return 0, false
	}
	return d.Acts[i].At, true
}

// Let lets something happen at a time and ends what was planned after it, so
// that the set goes on as it is for the rest of the day.
func (d *Day) Let(at, rest time.Duration, do func(*Day)) {
	d.Acts = slices.DeleteFunc(d.Acts, func(a Act) bool { return a.At >= at })
	d.act(at, "danger", do)
	d.Length = at + rest
}
