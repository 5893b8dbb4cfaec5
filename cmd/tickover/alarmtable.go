package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"tickover/alarms"
	"tickover/cmd/tickover/daemon"
	"tickover/cmd/tickover/record"
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
		return writeAlarmTable(s.out, plant.HatcheryRating(), wholeSet())
	}
	cfg, err := loadConfig(c.Config, s.err)
	if err != nil {
		return err
	}
	return writeAlarmTable(s.out, cfg.Setup.Rating, record.Rules(cfg.Setup))
}

// wholeSet is the standard rule set of a set that has every point the simulated
// one has and every other well-known instrument, with a logger that lives on
// the starter battery and a computer that knows its supply, its heat and its card.
func wholeSet() []model.AlarmRule {
	all := model.Device{Name: "engine"}
	for _, p := range plant.Points() {
		all.Points = append(all.Points, model.Point{ID: p})
	}
	for _, p := range append(slices.Clone(model.Windings[:]), model.MonoxidePoint, model.BearingTemperature, model.CoolantLevelSwitch,
		model.EmergencyStop, model.BreakerClosed, model.ResidualCurrent, model.NeutralToEarth) {
		all.Points = append(all.Points, model.Point{ID: p})
	}
	computer := map[model.PointID]model.Point{model.HostUndervoltage: {}, model.HostTemperature: {}, model.HostStoreFault: {}}
	setup := model.Setup{Rating: plant.HatcheryRating(), Devices: []model.Device{all, {Name: "meter", PoweredBySet: true}},
		Supply: model.Supply{Starter: true, Power: 5, Capacity: 88}}
	return alarms.InForce(record.Rules(setup), daemon.HostRules(computer))
}

const alarmTableHead = `# The standard alarms and their reasons

"tickover alarms table" prints this list; with --config FILE it prints the rules in
force for that configuration. The limits here are for
%s. The maker's figures have priority: an alarm
in the configuration replaces the standard one of the same name.

Alarms are advisory. They stop nothing and replace no protective device.

"Ends" shows how far and for how long the value must return. A latching alarm stays
until a person resets it after its condition is over. Ratios refer to the rating of
the set.

The priority follows from the time to act, in the last column: critical within a
minute, warning within an hour, otherwise information.

| alarm | priority | warns when | for | ends | armed in | what to do by hand | basis | who or what is harmed, time to act |
|---|---|---|---|---|---|---|---|---|
`

// nameplateWords names the set that a table of limits is for by what its nameplate
// says.
func nameplateWords(r model.Rating) string {
	var parts []string
	if r.ApparentPower > 0 {
		parts = append(parts, fmt.Sprintf("%g kVA", r.ApparentPower/1000))
	}
	if r.Voltage > 0 {
		parts = append(parts, fmt.Sprintf("%g V", math.Round(r.Voltage)))
	}
	if r.Frequency > 0 {
		parts = append(parts, fmt.Sprintf("%g Hz", r.Frequency))
	}
	words := "a set whose nameplate is not given"
	if len(parts) > 0 {
		words = "a " + strings.Join(parts, ", ") + " set"
	}
	if r.Battery > 0 {
		words += fmt.Sprintf(" with a %g V battery", r.Battery)
	}
	return words
}

func writeAlarmTable(w io.Writer, set model.Rating, rules []model.AlarmRule) error {
	byID := map[string]model.AlarmRule{}
	for _, r := range rules {
		byID[r.ID] = r
	}
	ordered := slices.SortedFunc(maps.Values(byID), func(a, b model.AlarmRule) int {
		return cmp.Or(cmp.Compare(b.Priority, a.Priority), strings.Compare(a.ID, b.ID))
	})
	var b strings.Builder
	fmt.Fprintf(&b, alarmTableHead, nameplateWords(set))
	for _, r := range ordered {
		fmt.Fprintf(&b, "| `%s` %s | %s | %s | %s | %s | %s | %s | %s | %s |\n", r.ID, r.Label, r.Priority, whenWords(r), delayWords(r.OnDelay), endWords(r), armedWords(r), r.Action, r.Basis, stakeWords(r))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// stakeWords says what happens if no one acts, and how soon.
func stakeWords(r model.AlarmRule) string {
	switch {
	case r.Consequence == "":
		return "not stated: a rule of your own"
	case r.TimeToAct == 0:
		return r.Consequence + "; for the log"
	}
	return r.Consequence + "; " + delayWords(r.TimeToAct)
}

// whenWords says what the rule holds against what.
func whenWords(r model.AlarmRule) string {
	show := func(v float64) string { return limitWords(r.Point, v) }
	said := fmt.Sprintf("%s %s", pointWords(r), r.Kind)
	switch r.Kind {
	case model.DeviceLost:
		return "no answer from " + r.Device
	case model.PointFailed:
		return fmt.Sprintf("the sensor of `%s` fails", r.Point)
	case model.OutsideBand:
		said += " " + show(r.Low) + " to " + show(r.Limit)
	case model.RisingFaster, model.FallingFaster, model.JumpsFaster:
		said += " " + rateWords(r)
	case model.StuckFor:
		said = fmt.Sprintf("`%s` stays the same for %s", r.Point, delayWords(r.Window))
	case model.UsedUpWithin:
		said = fmt.Sprintf("`%s` is used up within %s at the present rate", r.Point, delayWords(time.Duration(r.Limit*float64(time.Second))))
	case model.NeverMoves:
		said = fmt.Sprintf("`%s` stays the same through %g starts", r.Point, r.Limit)
	case model.BelowLimit, model.AboveLimit:
		if words := countedWords(r.Point, r.Kind == model.AboveLimit, r.Limit); words != "" {
			said = fmt.Sprintf("`%s` %s", r.Point, words)
			break
		}
		fallthrough
	default:
		if r.PerSpeed {
			said += fmt.Sprintf(" %.3g bar per 1000 r/min, at least %s", r.Limit/6000, show(r.Low))
			break
		}
		said += " " + show(r.Limit)
	}
	if r.Like != "" {
		q, _ := model.KnownQuantity(r.Point)
		said = fmt.Sprintf("%s is more than %s above its first readings at the same `%s`", pointWords(r),
			strings.TrimPrefix(q.ShowDifference(r.Limit), "+"), r.Like)
	}
	switch r.Kind {
	case model.RisingFaster, model.FallingFaster, model.SwingsMore, model.UsedUpWithin:
		said += " over " + delayWords(cmp.Or(r.Window, time.Minute))
	}
	if w := r.While; w.Point != "" {
		side := map[bool]string{true: "below ", false: "above "}[w.Below] + limitWords(w.Point, w.Limit)
		said += fmt.Sprintf(" while `%s` %s", w.Point, cmp.Or(countedWords(w.Point, !w.Below, w.Limit), side))
	}
	if r.Regardless != 0 {
		said += fmt.Sprintf(", or %s %s", r.Kind, show(r.Regardless))
	}
	if u := r.Unless; u.Point != "" {
		said += fmt.Sprintf(" unless `%s` is good and %s%s", u.Point, map[bool]string{true: "below ", false: "above "}[u.Below], limitWords(u.Point, u.Limit))
	}
	if r.Cold != "" {
		said += fmt.Sprintf(" at 21 °C, less when `%s` is lower", r.Cold)
	}
	if r.Steady != "" {
		said += fmt.Sprintf(" with `%s` steady within %s", r.Steady, limitWords(r.Steady, r.SteadyWithin))
	}
	return said
}

// pointWords names what a rule looks at: of several points the worst decides, or
// all have to be abnormal.
func pointWords(r model.AlarmRule) string {
	if len(r.Points) < 2 {
		return fmt.Sprintf("`%s`", r.Point)
	}
	var names []string
	for _, p := range r.Points {
		names = append(names, fmt.Sprintf("`%s`", p))
	}
	joint := " or "
	if r.AllOf {
		joint = " and "
	}
	return strings.Join(names[:len(names)-1], ", ") + joint + names[len(names)-1]
}

// countedWords says what a limit between two whole numbers means for a contact,
// the engine's state or a number of things; "" for every other limit.
func countedWords(p model.PointID, above bool, limit float64) string {
	q, _ := model.KnownQuantity(p)
	whole := math.Floor(limit)
	switch {
	case limit == whole || q != model.State && q != model.Count:
		return ""
	case p == model.EngineStatePoint:
		return "is unknown"
	case q == model.State:
		return map[bool]string{true: "is 1", false: "is 0"}[above]
	case above:
		return fmt.Sprintf("is more than %.0f", whole)
	case whole == 0:
		return "is 0"
	}
	return fmt.Sprintf("is less than %.0f", whole+1)
}

// delayWords writes a delay as people say it.
func delayWords(d time.Duration) string {
	if d == 0 {
		return "at once"
	}
	return model.Lasting(d)
}

// endWords says when a rule's condition is over, and whether it latches.
func endWords(r model.AlarmRule) string {
	var words []string
	if r.Deadband > 0 {
		words = append(words, "back by "+backWords(r))
	}
	words = append(words, strings.Replace(delayWords(r.OffDelay), "at once", "", 1))
	if r.Latch {
		words = append(words, "latches")
	}
	words = slices.DeleteFunc(words, func(w string) bool { return w == "" })
	return cmp.Or(strings.Join(words, ", "), "at once")
}

// backWords writes a deadband.
func backWords(r model.AlarmRule) string {
	q, _ := model.KnownQuantity(r.Point)
	switch r.Kind {
	case model.UsedUpWithin:
		return delayWords(time.Duration(r.Deadband * float64(time.Second)))
	case model.RisingFaster, model.FallingFaster, model.JumpsFaster:
		return rateWords(model.AlarmRule{Point: r.Point, Kind: r.Kind, Limit: r.Deadband})
	}
	if q == model.Temperature {
		return strings.TrimPrefix(q.ShowDifference(r.Deadband), "+")
	}
	return limitWords(r.Point, r.Deadband)
}

// limitWords writes a value of a point in the unit people read.
func limitWords(p model.PointID, v float64) string {
	q, _ := model.KnownQuantity(p)
	switch q {
	case model.State, model.NoQuantity, model.Count:
		return fmt.Sprintf("%g", v)
	case model.Duration:
		return delayWords(time.Duration(v * float64(time.Second)))
	}
	return q.ShowWithUnit(v)
}

// rateWords writes the limit of a rate in the unit people read.
func rateWords(r model.AlarmRule) string {
	q, _ := model.KnownQuantity(r.Point)
	if per := r.Measures(q); per != model.NoQuantity {
		return per.ShowWithUnit(r.Limit)
	}
	return fmt.Sprintf("%.4g %s/s", r.Limit, q.Unit())
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
		said += " from " + delayWords(r.ArmDelay) + " after the start"
	}
	switch {
	case r.GoodOnce && len(r.Points) > 1:
		said += ", once one of them was normal in the run"
	case r.GoodOnce:
		said += ", once it was normal in the run"
	}
	if r.GoodOnce && r.Kind == model.OutsideBand {
		said += ", or is above its band"
	}
	return said
}
