package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"tickover/alarms"
	"tickover/model"
	"tickover/model/plant"
)

// alarmsTable prints every rule with its reason, as deploy/alarms.md holds it.
type alarmsTable struct {
	Config string `help:"Configuration whose rules to print; without it, the demonstration's 50 kVA set with every well-known point." placeholder:"FILE"`
}

// Run prints the table.
func (c *alarmsTable) Run(_ context.Context, s streams) error {
	if c.Config == "" {
		return writeAlarmTable(s.out, wholeSet())
	}
	cfg, err := loadConfig(c.Config, s.err)
	if err != nil {
		return err
	}
	return writeAlarmTable(s.out, rules(cfg.Setup))
}

// wholeSet is the standard rule set of a set that has every point the
// simulated one has.
func wholeSet() []model.AlarmRule {
	points := map[model.PointID]model.Point{}
	for _, p := range plant.Points() {
		points[p] = model.Point{ID: p}
	}
	return alarms.Standard(plant.HatcheryRating(), points, []model.Device{{Name: "engine"}, {Name: "meter", PoweredBySet: true}})
}

const alarmTableHead = `# The alarms and why they are so

Written by "tickover alarms table"; "tickover alarms table --config FILE" prints
the rules in force for a configuration. Limits here are those of a 50 kVA,
230/400 V, 50 Hz set with a 12 V battery. The maker's figures go before all of
them: an alarm in the configuration replaces the standard one of the same name.

Alarms advise. They stop nothing and replace no protective device.

| alarm | priority | warns when | for | watches | what to do by hand | basis |
|---|---|---|---|---|---|---|
`

func writeAlarmTable(w io.Writer, rules []model.AlarmRule) error {
	byID := map[string]model.AlarmRule{}
	for _, r := range rules {
		byID[r.ID] = r
	}
	ordered := slices.SortedFunc(maps.Values(byID), func(a, b model.AlarmRule) int {
		return cmp.Or(cmp.Compare(b.Priority, a.Priority), strings.Compare(a.ID, b.ID))
	})
	var b strings.Builder
	b.WriteString(alarmTableHead)
	for _, r := range ordered {
		fmt.Fprintf(&b, "| `%s` %s | %s | %s | %s | %s | %s | %s |\n", r.ID, r.Label, r.Priority, whenWords(r), r.OnDelay, armedWords(r), r.Action, r.Basis)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// whenWords says what the rule holds against what.
func whenWords(r model.AlarmRule) string {
	show := func(v float64) string { return limitWords(r.Point, v) }
	said := fmt.Sprintf("`%s` %s", r.Point, r.Kind)
	switch r.Kind {
	case model.DeviceLost:
		return "no answer from " + r.Device
	case model.PointFailed:
		return said
	case model.OutsideBand:
		said += " " + show(r.Low) + " to " + show(r.Limit)
	case model.RisingFaster, model.FallingFaster, model.JumpsFaster:
		said += " " + rateWords(r)
	case model.StuckFor:
		said += " " + r.Window.String()
	case model.NeverMoves:
		said += fmt.Sprintf(" %g", r.Limit)
	default:
		if r.PerSpeed {
			said += fmt.Sprintf(" %.3g bar per 1000 r/min, at least %s", r.Limit/6000, show(r.Low))
			break
		}
		said += " " + show(r.Limit)
	}
	switch r.Kind {
	case model.RisingFaster, model.FallingFaster, model.SwingsMore:
		said += " over " + cmp.Or(r.Window, time.Minute).String()
	}
	if r.While.Point != "" {
		side := map[bool]string{true: "below", false: "above"}[r.While.Below]
		said += fmt.Sprintf(" while `%s` %s %s", r.While.Point, side, limitWords(r.While.Point, r.While.Limit))
	}
	if r.Steady != "" {
		said += fmt.Sprintf(" with `%s` steady within %s", r.Steady, limitWords(r.Steady, r.SteadyWithin))
	}
	return said
}

// limitWords writes a value of a point in the unit people read.
func limitWords(p model.PointID, v float64) string {
	q, _ := model.KnownQuantity(p)
	if q == model.State || q == model.NoQuantity || q == model.Count {
		return fmt.Sprintf("%g", v)
	}
	return q.ShowWithUnit(v)
}

// rateWords writes the limit of a rate in the unit people read: a minute, and
// of a jump from one reading to the next a second.
func rateWords(r model.AlarmRule) string {
	q, _ := model.KnownQuantity(r.Point)
	per, known := map[model.Quantity]model.Quantity{model.Temperature: model.TemperatureRate, model.Pressure: model.PressureRate}[q]
	switch {
	case !known:
		return fmt.Sprintf("%.4g %s/s", r.Limit, q.Unit())
	case r.Kind == model.JumpsFaster:
		return strings.Replace(per.ShowWithUnit(r.Limit/60), "/min", "/s", 1)
	}
	return per.ShowWithUnit(r.Limit)
}

func armedWords(r model.AlarmRule) string {
	if len(r.ArmedIn) == 0 {
		return "always"
	}
	var names []string
	for _, s := range r.ArmedIn {
		names = append(names, s.String())
	}
	said := strings.Join(names, ", ")
	if r.ArmDelay > time.Duration(0) {
		said += " from " + r.ArmDelay.String() + " after the start"
	}
	return said
}
