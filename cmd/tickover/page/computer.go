package page

import (
	"fmt"
	"strings"

	"tickover/model"
)

// computer is the state of the logger itself, in one line; empty when nothing
// is known now.
func (g readout) computer() string {
	var words []string
	told := func(id model.PointID) (float64, bool) {
		r, ok := g.snap.Readings[id]
		return r.Value, ok && !g.stale(id, r)
	}
	if v, ok := told(model.HostTemperature); ok {
		words = append(words, model.Temperature.ShowWithUnit(v))
	}
	low, ok := told(model.HostUndervoltage)
	seen, known := told(model.HostUndervoltageSeen)
	switch {
	case ok && low > 0:
		words = append(words, "supply voltage too low")
	case known && seen > 0:
		words = append(words, "supply voltage was too low since power-up")
	case ok:
		words = append(words, "supply OK")
	}
	if v, ok := told(model.HostThrottled); ok && v > 0 {
		words = append(words, "processor slowed by heat or low supply")
	}
	if v, ok := told(model.HostCardWear); ok {
		words = append(words, "card wear "+model.Ratio.ShowWithUnit(v))
	}
	if v, ok := told(model.HostSupplyDraw); ok {
		words = append(words, fmt.Sprintf("draws %.1f W from the starter battery", v))
	}
	if v, ok := told(model.HostSupplyLeft); ok {
		words = append(words, fmt.Sprintf("battery half empty in %.1f days", v/86400))
	}
	return strings.Join(words, ", ")
}
