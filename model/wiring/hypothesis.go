package wiring

import (
	"math"
	"math/cmplx"
)

// A hypothesis is what is connected where. Conductors are 0, 1, 2 for L1, L2,
// L3 and 3 for neutral; -1 is an open lead.
type hypothesis struct {
	outlet   [3]int  // conductor behind the outlet labelled L1, L2, L3
	current  [3]int  // conductor whose transformer is on each current input
	reversed [3]bool // transformer faces the wrong way
	voltage  [4]int  // conductor on each voltage input L1, L2, L3, N
}

var (
	straight     = [3]int{0, 1, 2}
	permutations = [6][3]int{{0, 1, 2}, {1, 0, 2}, {0, 2, 1}, {2, 1, 0}, {1, 2, 0}, {2, 0, 1}}
	// conductors are the voltages of L1, L2, L3 and neutral, per unit.
	conductors = [4]complex128{1, cmplx.Rect(1, -2*math.Pi/3), cmplx.Rect(1, 2*math.Pi/3), 0}
)

// voltages lists the ways the four voltage leads can sit: every order, and one
// phase lead open with the others right.
func voltageOrders() [][4]int {
	var all [][4]int
	for n := range 4 {
		for _, p := range permutations {
			rest := make([]int, 0, 3)
			for c := range 4 {
				if c != n {
					rest = append(rest, c)
				}
			}
			all = append(all, [4]int{rest[p[0]], rest[p[1]], rest[p[2]], n})
		}
	}
	for open := range 3 {
		v := [4]int{0, 1, 2, 3}
		v[open] = -1
		all = append(all, v)
	}
	return all
}

func (h hypothesis) potential(input int) complex128 {
	if c := h.voltage[input]; c >= 0 {
		return conductors[c]
	}
	return conductors[3] // an open lead drifts to the neutral
}

// phase is what a voltage input reads against the N input.
func (h hypothesis) phase(input int) complex128 { return h.potential(input) - h.potential(3) }

// mistakes counts what is wrong, an exchanged pair as one, a turn of all three
// as one and a half, all reversed as one: of explanations that fit alike the
// one with fewest mistakes is taken.
func (h hypothesis) mistakes() float64 {
	count := disorder(h.outlet[:]) + disorder(h.current[:]) + disorder(h.voltage[:])
	reversed := 0.0
	for _, r := range h.reversed {
		if r {
			reversed++
		}
	}
	if reversed == 3 {
		reversed = 1
	}
	return count + reversed
}

func disorder(order []int) float64 {
	wrong := 0.0
	for i, c := range order {
		if c != i {
			wrong++
		}
	}
	return wrong / 2
}

// explanation is how well a hypothesis explains what was seen.
type explanation struct {
	hypothesis
	lag  float64 // angle of the load, rad
	cost float64
}

// Bounds of what a load on the walk may be: a heater, or at most an inductive
// load of power factor 0.75. The wiring mistakes turn angles by 60°, so a load
// angle inside a window of less than 60° leaves one explanation.
const (
	leastLag, mostLag = -10 * math.Pi / 180, 45 * math.Pi / 180
	angleSlack        = 12 * math.Pi / 180
	voltageSlack      = 0.12 // of the phase voltage
)

// explain ranks every hypothesis against three switchings, best first. phase
// is the size of the phase voltage.
func explain(steps [3]switching, phase float64) (best explanation, alternatives []explanation) {
	best.cost = math.Inf(1)
	for _, outlet := range permutations {
		h := hypothesis{outlet: outlet}
		for k, s := range steps {
			h.current[s.input] = outlet[k]
		}
		for mask := range 8 {
			h.reversed = [3]bool{mask&1 != 0, mask&2 != 0, mask&4 != 0}
			for _, v := range voltageOrders() {
				h.voltage = v
				f, ok := h.against(steps, phase)
				if !ok {
					continue
				}
				switch {
				case f.cost < best.cost-1e-9:
					best, alternatives = f, nil
				case f.cost < best.cost+1e-9:
					alternatives = append(alternatives, f)
				}
			}
		}
	}
	return best, alternatives
}

// against holds a hypothesis against the switchings. The cost is the number
// of mistakes, and a little for the misfit.
func (h hypothesis) against(steps [3]switching, phase float64) (explanation, bool) {
	f := explanation{hypothesis: h}
	var angles []float64
	for k, s := range steps {
		for input := range 3 {
			if math.Abs(s.volts[input]/phase-cmplx.Abs(h.phase(input))) > voltageSlack {
				return f, false
			}
		}
		current := conductors[h.outlet[k]]
		if h.reversed[s.input] {
			current = -current
		}
		want := h.phase(s.input) * cmplx.Conj(current)
		if cmplx.Abs(want) < 0.1 {
			if cmplx.Abs(s.power) > 0.1*phase*s.amps {
				return f, false
			}
			continue // an open lead: there is no power to tell an angle by
		}
		angles = append(angles, wrap(cmplx.Phase(s.power)-cmplx.Phase(want)))
	}
	if len(angles) == 0 {
		return f, false
	}
	for _, a := range angles {
		f.lag += a / float64(len(angles))
	}
	misfit := 0.0
	for _, a := range angles {
		misfit = max(misfit, math.Abs(a-f.lag))
	}
	f.cost = h.mistakes()
	return f, f.lag >= leastLag && f.lag <= mostLag && misfit <= angleSlack
}

// wrap brings an angle into -π..π.
func wrap(a float64) float64 { return math.Remainder(a, 2*math.Pi) }
