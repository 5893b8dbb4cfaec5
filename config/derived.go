package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tickover/model"
)

// derivation names a point that is worked out, with the sets of points any one
// of which will do. No set means that it is always there.
type derivation struct {
	point model.PointID
	from  [][]model.PointID
}

var derivations = []derivation{
	{model.EngineStatePoint, nil},
	{model.VoltageUnbalance, [][]model.PointID{model.LineVoltages[:]}},
	{model.NegativeVoltage, [][]model.PointID{model.LineVoltages[:]}},
	{model.ZeroSequenceVoltage, [][]model.PointID{slices.Concat(model.PhaseVoltages[:],
		model.LineVoltages[:])}},
	{model.NeutralSuspect, [][]model.PointID{slices.Concat(model.PhaseVoltages[:],
		model.LineVoltages[:])}},
	{model.StepReady, nil},
	{model.FrequencySwing, [][]model.PointID{{model.FrequencyPoint}}},
	{model.VoltageSwing, [][]model.PointID{model.PhaseVoltages[:], model.LineVoltages[:]}},
	{model.RunningTime, nil},
	{model.StarterTime, nil},
	{model.CoolingTime, nil},
	{model.OverloadTime, [][]model.PointID{{model.PowerActive}, model.PhaseActive[:]}},
	{model.FailedStarts, nil},
	{model.EngineAtRest, [][]model.PointID{{model.SpeedPoint}, {model.OilPressure}}},
	{model.RestTime, nil},
	{model.LoadOffTime, nil},
	{model.LoadOnTime, nil},
	{model.EngineSignals, nil},
	{model.AlarmsRaised, nil},
	{model.AlarmsUnwatched, nil},
	{model.CurrentUnbalance, [][]model.PointID{model.PhaseCurrents[:]}},
	{model.NegativeCurrent, [][]model.PointID{model.PhaseCurrents[:]}},
	{model.RotorHeat, [][]model.PointID{model.PhaseCurrents[:]}},
	{model.NeutralEstimate, [][]model.PointID{model.PhaseCurrents[:]}},
	{model.LoadApparentRatio, [][]model.PointID{model.PhaseCurrents[:]}},
	{model.LoadRatio, [][]model.PointID{{model.PowerActive}, model.PhaseActive[:]}},
	{model.PowerActive, [][]model.PointID{model.PhaseActive[:]}},
	{model.VoltsPerHertzRatio, [][]model.PointID{
		append(model.PhaseVoltages[:], model.FrequencyPoint),
		append(model.LineVoltages[:], model.FrequencyPoint)}},
}

// derivable reports whether a point is one of those worked out, and returns
// the inputs that lack for it: nil when it can be.
func (r *parser) derivable(id model.PointID) (lacking []model.PointID, derived bool) {
	for _, d := range derivations {
		if d.point != id {
			continue
		}
		for _, set := range d.from {
			if !slices.ContainsFunc(set, func(p model.PointID) bool { return r.find(p) == nil }) {
				return nil, true
			}
		}
		if d.from == nil {
			return nil, true
		}
		return d.from[0], true
	}
	return nil, false
}

// find returns the point as read, nil when no device provides it.
func (r *parser) find(id model.PointID) *configPoint {
	for i := range r.devices {
		for j := range r.devices[i].points {
			if r.devices[i].points[j].ID == id {
				return &r.devices[i].points[j]
			}
		}
	}
	return nil
}

func idList(ids []model.PointID) string { return strings.Join(pointNames(ids), ", ") }

// pollPlace is how a point is read: on which line and how often.
type pollPlace struct {
	line  string
	every time.Duration
}

func (r *parser) pollPlaceOf(p *configPoint) pollPlace {
	for _, d := range r.devices {
		if d.Name != p.Device {
			continue
		}
		b := pollPlace{d.Line, p.Every}
		if b.every == 0 {
			b.every = d.Every
		}
		if b.every == 0 {
			b.every = time.Second
		}
		return b
	}
	return pollPlace{}
}

// checkDerivedInputs demands that what is worked out together is read
// together: a mix of old and new values would be wrong without a sign of it.
func (r *parser) checkDerivedInputs() {
	noted := map[model.PointID]bool{}
	for _, d := range derivations {
		for _, set := range d.from {
			first := r.find(set[0])
			if first == nil || slices.ContainsFunc(set,
				func(p model.PointID) bool { return r.find(p) == nil }) {
				continue
			}
			want := r.pollPlaceOf(first)
			for _, id := range set[1:] {
				p := r.find(id)
				if got := r.pollPlaceOf(p); got != want && !noted[id] {
					noted[id] = true
					r.apart(d.point, first, p, want, got)
				}
			}
		}
	}
}

func (r *parser) apart(derived model.PointID, a, b *configPoint, want, got pollPlace) {
	text := fmt.Sprintf("%s needs %s and %s from the same reading, but one is read every %s and "+
		"the other every %s", derived, a.ID, b.ID, durationText(want.every),
		durationText(got.every))
	hint := "use the same interval for both"
	if want.line != got.line {
		text = fmt.Sprintf("%s needs %s and %s from the same reading, but they are on the lines "+
			"%s and %s", derived, a.ID, b.ID, want.line, got.line)
		hint = "read both on the same line"
	}
	b.wrong(b.at("point"), hint, "%s", text)
}
