package performance

import (
	"fmt"
	"math"
	"strings"

	"tickover/model"
)

// backwards counts at rated speed how often each phase's power was negative, and
// last that of the set where no phase is read.
type backwards struct{ under, negative [4]int }

const (
	backwardsLeast = 5   // readings under load that a finding stands on
	backwardsShare = 0.9 // of them that are negative
)

// see takes the readings of the newest scan; threshold is that of a load step, W.
func (w *backwards) see(fresh []newReading, threshold float64) {
	for _, r := range fresh {
		k := 3
		switch {
		case r.role >= activeRole && r.role < activeRole+3:
			k = int(r.role - activeRole)
		case r.role != powerRole:
			continue
		}
		if math.Abs(r.v) < threshold/2 {
			continue
		}
		w.under[k]++
		if r.v < 0 {
			w.negative[k]++
		}
	}
}

func (w *backwards) reversed(k int) bool {
	return w.under[k] >= backwardsLeast &&
		float64(w.negative[k]) > backwardsShare*float64(w.under[k])
}

// words say which power counts backwards; "" for none.
func (w *backwards) reason() string {
	var phases []string
	read := 0
	for k := range 3 {
		read += w.under[k]
		if w.reversed(k) {
			phases = append(phases, fmt.Sprintf("L%d", k+1))
		}
	}
	switch {
	case read == 0 && w.reversed(3):
		return "the power of the set is negative on load"
	case len(phases) == 3:
		return "the power of all three phases is negative on load"
	case len(phases) > 0:
		return "the power of " + strings.Join(phases, " and ") + " is negative on load"
	}
	return ""
}

// wiringLine is the finding of a wiring fault, which comes first.
func (r *recorder) wiringLine() string {
	words := r.backwards.reason()
	if words == "" {
		return ""
	}
	return "Wiring: " + words + ": a current transformer is reversed or on another phase's input." +
		" Correct it and repeat the test. Figures from power are not determined."
}

// ofPower are the names, or their beginnings, of the figures without a class limit
// that depend on power.
var ofPower = []string{"highest load", "energy ", "integral against", "average load",
	"time at load ", "longest time below", "fuel per kWh", "no-load setting",
	"frequency regulation", "voltage regulation"}

// spoil makes figures that depend on power not known while it counts backwards.
func (r *recorder) spoil(list []model.Figure) []model.Figure {
	words := r.backwards.reason()
	if words == "" {
		return list
	}
	for i, f := range list {
		for _, name := range ofPower {
			if strings.HasPrefix(f.Name, name) {
				list[i] = model.NotKnown(f.Name, f.Symbol, f.Unit, words)
			}
		}
	}
	return list
}

// drawn is the load whichever way it counts: the sum of the phases' magnitudes,
// else that of the set. It is NaN when none is there.
func drawn(of func(model.PointID) (float64, bool)) float64 {
	sum, any := 0.0, false
	for _, id := range model.PhaseActive {
		if v, ok := of(id); ok {
			sum, any = sum+math.Abs(v), true
		}
	}
	if any {
		return sum
	}
	if v, ok := of(model.PowerActive); ok {
		return math.Abs(v)
	}
	return math.NaN()
}
