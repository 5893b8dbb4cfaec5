package alarms

import (
	"fmt"
	"math"
	"strings"

	"tickover/model"
)

// choose finds the one of several points that decides: the worst of those that
// can be seen or, when all have to be abnormal, the least bad. While none can be
// seen the last one stays.
func (w *ruleState) choose(m *Machine) {
	worst := math.Inf(-1)
	for _, in := range w.ins {
		v, ok := in.value(m.at)
		if !ok {
			continue
		}
		excess := w.excess(v)
		if w.rule.AllOf {
			excess = -excess
		}
		if excess > worst {
			worst, w.in = excess, in
		}
	}
}

// excess is by how much a value is beyond the limit; negative when it is within.
func (w *ruleState) excess(v float64) float64 {
	switch w.rule.Kind {
	case model.BelowLimit:
		return w.rule.Limit - v
	case model.OutsideBand:
		return max(w.rule.Low-v, v-w.rule.Limit)
	}
	return v - w.rule.Limit
}

// anyNormal reports whether one of several points shows a normal value.
func (w *ruleState) anyNormal(m *Machine) bool {
	for _, in := range w.ins {
		if v, ok := in.value(m.at); ok && !w.beyond(v) {
			return true
		}
	}
	return false
}

// lostPart is the first of several points that is out of sight; nil when none is.
// The others are still judged.
func (w *ruleState) lostPart(now model.Instant) *input {
	for _, in := range w.ins {
		if w.missing(in, now) {
			return in
		}
	}
	return nil
}

// lostText says why points are out of sight, naming the first when others are not.
func (w *ruleState) lostText(now model.Instant) string {
	lost := w.lostPart(now)
	for _, in := range w.ins {
		if !w.missing(in, now) {
			return model.PartName(lost.point) + ": " + lost.cause()
		}
	}
	return lost.cause()
}

// partsText names the points that are abnormal, each with its value.
func (w *ruleState) partsText(m *Machine) string {
	var parts []string
	for _, in := range w.ins {
		if v, ok := in.value(m.at); ok && w.beyond(v) {
			q, _ := model.KnownQuantity(in.point)
			parts = append(parts, fmt.Sprintf("%s %s", model.PartName(in.point), q.ShowWithUnit(v)))
		}
	}
	said := strings.Join(parts, ", ")
	if w.rule.ID == "voltage.absent" {
		said += ": " + residualText(w.value)
	}
	return said
}

// residualText says what the voltage of a set that does not build up means
// (common practice).
func residualText(volts float64) string {
	switch {
	case volts < residualNone:
		return "no residual voltage, or an open lead or fuse"
	case volts < residualLeast:
		return "very low residual voltage"
	case volts <= residualMost:
		return "residual voltage present: check excitation and regulator"
	}
	return "more than residual voltage: check the regulator and its settings"
}

const (
	residualNone  = 1.0  // V
	residualLeast = 2.0  // V
	residualMost  = 10.0 // V
)

// point is what the rule looks at now; empty for DeviceLost.
func (w *ruleState) point() model.PointID {
	if w.in == nil {
		return w.rule.Point
	}
	return w.in.point
}
