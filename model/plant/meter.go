package plant

import (
	"math/cmplx"
)

// Figures of the meter.
const (
	meterLag    = 0.08 // s of averaging
	leastVolts  = 30.0 // below it the meter finds no frequency
	wakeVolts   = 160.0
	bootSeconds = 2.0
	creep       = 0.02 // A below which it shows no current
)

// meter is a three-phase meter at the distribution board.
type meter struct {
	currentFrom [3]int
	reversed    [3]bool
	voltageFrom [4]int
	hold        bool
	selfPowered bool

	lead      [4]complex128 // potentials of L1, L2, L3, N as connected
	current   [3]complex128
	neutral   complex128
	speed     float64
	frequency float64 // last shown, Hz
	energy    float64 // J
	powered   float64 // s since its supply came
}

func newMeter() meter {
	return meter{
		currentFrom: [3]int{0, 1, 2}, voltageFrom: [4]int{0, 1, 2, 3},
		energy: 4711.3 * 3.6e6, // an old set's counter
	}
}

func (m *meter) advance(dt float64, p *Plant) {
	if p.engine.speed == 0 && m.speed == 0 {
		m.powered = 0
		return
	}
	m.follow(dt, p)
	if m.volts(0) >= wakeVolts {
		m.powered += dt
	} else {
		m.powered = 0
	}
	if m.volts(0) >= leastVolts {
		m.frequency = m.speed * p.rating.Frequency
	} else if !m.hold {
		m.frequency = 0
	}
	if m.on() {
		m.energy += dt * max(0, real(m.power(0)+m.power(1)+m.power(2)))
	}
}

// follow averages what is on the meter's inputs.
func (m *meter) follow(dt float64, p *Plant) {
	a := &p.alternator
	conductors := [4]complex128{a.terminal[0], a.terminal[1], a.terminal[2], a.neutral}
	live := p.engine.speed > 0
	share := complex(min(1, dt/meterLag), 0)
	for i, from := range m.voltageFrom {
		v := a.neutral
		switch {
		case from >= 0:
			v = conductors[from]
		case i == 3: // an open N floats to the middle of the meter's three inputs
			v = (a.terminal[0] + a.terminal[1] + a.terminal[2]) / 3
		}
		m.lead[i] += share * (gate(live, v) - m.lead[i])
	}
	for i, from := range m.currentFrom {
		c := a.current[from]
		if m.reversed[i] {
			c = -c
		}
		m.current[i] += share * (gate(live, c) - m.current[i])
	}
	sum := a.current[0] + a.current[1] + a.current[2]
	if a.open {
		sum = 0
	}
	m.neutral += share * (gate(live, sum) - m.neutral)
	m.speed += real(share) * (p.engine.speed - m.speed)
	if !live && m.speed < 1e-3 {
		m.speed, m.lead, m.current, m.neutral = 0, [4]complex128{}, [3]complex128{}, 0
	}
}

func gate(live bool, v complex128) complex128 {
	if live {
		return v
	}
	return 0
}

// on reports whether the meter has supply and has booted.
func (m *meter) on() bool { return !m.selfPowered || m.powered >= bootSeconds }

func (m *meter) volts(k int) float64 { return cmplx.Abs(m.lead[k] - m.lead[3]) }

func (m *meter) line(k int) float64 { return cmplx.Abs(m.lead[k] - m.lead[(k+1)%3]) }

func (m *meter) amps(k int) float64 { return noCreep(cmplx.Abs(m.current[k])) }

func noCreep(a float64) float64 {
	if a < creep {
		return 0
	}
	return a
}

// power is the complex power of one phase as the meter sees it, VA.
func (m *meter) power(k int) complex128 {
	if m.amps(k) == 0 {
		return 0
	}
	return (m.lead[k] - m.lead[3]) * cmplx.Conj(m.current[k])
}

// total is the sum of the phases' powers.
func (m *meter) total() complex128 { return m.power(0) + m.power(1) + m.power(2) }

// factor is the power factor of a complex power; 1 when nothing flows, as
// meters show it.
func factor(s complex128) float64 {
	if cmplx.Abs(s) < 1 {
		return 1
	}
	return real(s) / cmplx.Abs(s)
}
