package record

import (
	"math"
	"slices"
	"time"

	"tickover/model"
)

const (
	// longRest lets the surface charge go that a run leaves (common practice).
	longRest = 8 * time.Hour
	// charged is what a block shows only while a charger is at work (common
	// practice).
	charged = 13.0
)

// SupplyWatch works out how long the starter battery feeds the logger. What
// cannot be known is told as such.
type SupplyWatch struct {
	supply  model.Supply
	nominal float64 // V of the battery, 0 when not given
	latest  func() *model.Snapshot
}

// NewSupplyWatch watches a supply, of a battery of so many volts, by the newest
// snapshot.
func NewSupplyWatch(s model.Supply, nominal float64, latest func() *model.Snapshot) SupplyWatch {
	return SupplyWatch{s, nominal, latest}
}

// Points are those that step adds; none when another source feeds the logger.
func (w SupplyWatch) Points() []model.PointID {
	if !w.supply.Starter || w.supply.Amperes(w.nominal) <= 0 {
		return nil
	}
	return []model.PointID{model.HostSupplyDraw, model.HostSupplyCharge, model.HostSupplyLeft}
}

// Step adds what is known now to a scan of the computer's facts.
func (w SupplyWatch) Step(scan *model.Scan) {
	ids := w.Points()
	if ids == nil {
		return
	}
	samples := make([]model.Sample, len(ids))
	for i, id := range ids {
		samples[i] = model.BadSample(id, model.Undefined)
	}
	snap := w.latest()
	volts, charge, rested := w.rest(snap, scan.At)
	samples[0] = model.GoodSample(ids[0], w.supply.Watts(volts))
	if rested {
		samples[1] = model.GoodSample(ids[1], charge)
		if left, ok := w.supply.UntilHalf(volts, charge); ok {
			samples[2] = model.GoodSample(ids[2], left.Seconds())
		}
	}
	scan.Samples = append(scan.Samples, samples...)
	scan.Measured = len(scan.Samples)
}

// rest gives the battery's voltage, nominal when none is measured, and its
// charge once the set has stood long enough and no charger is at work.
func (w SupplyWatch) rest(snap *model.Snapshot, now model.Instant) (volts, charge float64, rested bool) {
	r := snap.Readings[model.BatteryVoltage]
	age, same := now.Sub(r.At)
	if r.Quality != model.Good || !same || age > time.Minute {
		return w.nominal, 0, false
	}
	stood, same := now.Sub(snap.Since)
	blocks := math.Max(1, math.Round(w.nominal/model.BlockVoltage))
	rested = snap.State == model.Standstill && !snap.Since.IsZero() && same && stood >= longRest && r.Value < charged*blocks
	return r.Value, model.RestCharge(r.Value, blocks), rested
}

// rules advise while the logger empties the starter battery. They switch
// nothing off.
func (w SupplyWatch) rules(setup model.Setup) []model.AlarmRule {
	if !w.supply.Starter || w.nominal <= 0 {
		return nil
	}
	blocks := w.nominal / model.BlockVoltage
	all := []model.AlarmRule{
		{ID: "logger.battery.half", Label: "The logger has half emptied the starter battery", Priority: model.Warning, Kind: model.BelowLimit,
			Point: model.BatteryVoltage, Limit: 12.2 * blocks, Deadband: 0.2 * blocks, OnDelay: 10 * time.Minute, ArmedIn: []model.EngineState{model.Standstill},
			Action:      "Charge the battery, or end the logger: sudo poweroff. It takes " + w.supply.Words(w.nominal) + ". Nothing is switched off by itself.",
			Basis:       "12.2 V at rest is half full (common practice)",
			Consequence: "engine: the next start fails", TimeToAct: time.Hour},
		{ID: "logger.battery.day", Label: "The logger has the starter battery half empty within a day", Priority: model.Information, Kind: model.BelowLimit,
			Point: model.HostSupplyLeft, Limit: 86400, Deadband: 6 * 3600, OnDelay: 10 * time.Minute, ArmedIn: []model.EngineState{model.Standstill},
			Action:      "Fit a charger, or end the logger when the tests are over: sudo poweroff.",
			Basis:       "the draw and the capacity in the configuration, the charge by the voltage at rest (derived)",
			Consequence: "engine: the next start fails", TimeToAct: 24 * time.Hour},
	}
	return slices.DeleteFunc(all, func(r model.AlarmRule) bool {
		measured := setup.Points()[model.BatteryVoltage].ID != ""
		needs := r.Point == model.HostSupplyLeft && (w.Points() == nil || w.supply.Capacity <= 0)
		return !measured || needs
	})
}
