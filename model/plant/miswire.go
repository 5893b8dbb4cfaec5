package plant

import (
	"slices"
	"time"
)

// Mistake is one thing that can be wrong with the meter's wiring or the set's.
type Mistake struct {
	Name string // in words with hyphens, such as "ct-l1-reversed"
	Make func(*Plant)
}

// Mistakes lists those that can be switched on, in order. The list is new.
func Mistakes() []Mistake {
	currents := func(from [3]int, reversed [3]bool) func(*Plant) {
		return func(p *Plant) { p.WireCurrents(from, reversed) }
	}
	volts := func(from [4]int) func(*Plant) { return func(p *Plant) { p.WireVoltages(from) } }
	straight, all := [3]int{0, 1, 2}, [3]bool{true, true, true}
	return []Mistake{
		{"ct-l1-reversed", currents(straight, [3]bool{true})},
		{"cts-all-reversed", currents(straight, all)},
		{"cts-l1-l2-exchanged", currents([3]int{1, 0, 2}, [3]bool{})},
		{"cts-exchanged-one-reversed", currents([3]int{1, 0, 2}, [3]bool{true})},
		{"cts-shifted", currents([3]int{1, 2, 0}, [3]bool{})},
		{"cts-shifted-back", currents([3]int{2, 0, 1}, [3]bool{})},
		{"cts-shifted-reversed", currents([3]int{1, 2, 0}, all)},
		{"voltages-l1-l2-exchanged", volts([4]int{1, 0, 2, 3})},
		{"neutral-l2-exchanged", volts([4]int{0, 3, 2, 1})},
		{"voltage-l3-open", volts([4]int{0, 1, -1, 3})},
		{"neutral-open", func(p *Plant) { p.OpenNeutral(true) }},
	}
}

// MistakeNamed finds a mistake; false when there is none of that name.
func MistakeNamed(name string) (Mistake, bool) {
	all := Mistakes()
	i := slices.IndexFunc(all, func(m Mistake) bool { return m.Name == name })
	if i < 0 {
		return Mistake{}, false
	}
	return all[i], true
}

// WalkHeater is the power in W of the heater of WalkDay.
const WalkHeater = 2000.0

// WalkDay is a start, a one-heater walk over the outlets of L1, L2 and L3, a
// minute of ordinary unequal load, and the stop.
func WalkDay() (script []Action, length time.Duration) {
	script = []Action{
		at(0, "all loads off", func(p *Plant) { p.LoadAll(0, 1) }),
		at(30, "key on", func(p *Plant) { p.Key(true) }),
		at(40, "crank", func(p *Plant) { p.Crank(true) }),
		at(44, "starter released", func(p *Plant) { p.Crank(false) }),
	}
	for k := range 3 {
		from := 90 + 40*float64(k)
		script = append(script, onPhase(from, k, WalkHeater), onPhase(from+20, k, 0))
	}
	return append(script,
		at(230, "9, 7 and 8 kW on the three phases", func(p *Plant) {
			for k, w := range []float64{9e3, 7e3, 8e3} {
				p.Load(k, w, 0.85)
			}
		}),
		onAll(290, 0, 1),
		at(310, "key off", func(p *Plant) { p.Key(false) }),
	), 350 * time.Second
}
