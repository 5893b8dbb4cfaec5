package page

import (
	"fmt"
	"strings"

	"tickover/model"
)

// computer is what the small computer tells of itself, in one line; empty when
// it tells nothing that holds now.
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
		words = append(words, "its supply is too low")
	case known && seen > 0:
		words = append(words, "its supply was too low since it was switched on")
	case ok:
		words = append(words, "supply well")
	}
	if v, ok := told(model.HostThrottled); ok && v > 0 {
		words = append(words, "slowed down by heat or supply")
	}
	if v, ok := told(model.HostCardWear); ok {
		words = append(words, "card's life used up to "+model.Ratio.ShowWithUnit(v))
	}
	if v, ok := told(model.HostSupplyDraw); ok {
		words = append(words, fmt.Sprintf("draws %.1f W from the starter battery", v))
	}
	if v, ok := told(model.HostSupplyLeft); ok {
		words = append(words, fmt.Sprintf("which is half empty in %.1f days", v/86400))
	}
	return strings.Join(words, ", ")
}
