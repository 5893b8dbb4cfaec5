package alarms

import (
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// whole is the standard rule set of a set that has every well-known point.
func whole() []model.AlarmRule { return rulesOf(everyPoint()...) }

func everyPoint() []model.PointID {
	return slices.Concat(model.PhaseVoltages[:], model.PhaseCurrents[:], engineGauges(),
		model.LineVoltages[:], others())
}

// threeWire is that of a set without a neutral to measure against.
func threeWire() []model.AlarmRule {
	return rulesOf(slices.Concat(model.LineVoltages[:], model.PhaseCurrents[:], engineGauges(),
		others())...)
}

// others are the points that no scenario of the engine alone needs.
func others() []model.PointID {
	return []model.PointID{model.PowerActive, model.OilSwitch, model.OilTemperature, model.KeyOn,
		model.FuelLevel,
		model.AmbientTemperature, model.ExhaustTemperature, model.CurrentN, model.MonoxidePoint,
		model.PowerReactive, model.BearingTemperature, model.CoolantLevelSwitch,
		model.EmergencyStop, model.BreakerClosed,
		model.ResidualCurrent, model.NeutralToEarth, model.WindingL1, model.WindingL2,
		model.WindingL3}
}

// sourced finds what a limit rests on: a standard, or a word for the lack of one.
var sourced = regexp.MustCompile(`\((common practice|derived|from memory)|NAMUR NE|IEC 6|ISO 85|NFPA 110`)

func TestStandardRulesAreWhole(t *testing.T) {
	ids := map[string]bool{}
	for _, r := range whole() {
		switch {
		case ids[r.ID]:
			t.Errorf("two rules are called %s", r.ID)
		case r.Label == "" || r.Action == "" || r.Basis == "":
			t.Errorf("%s lacks its label, action or basis", r.ID)
		case (r.Point == "") == (r.Device == ""):
			t.Errorf("%s looks at %q and %q", r.ID, r.Point, r.Device)
		case r.Kind == model.OutsideBand && r.Low+2*r.Deadband >= r.Limit:
			t.Errorf("%s leaves no band", r.ID)
		}
		ids[r.ID] = true
		if !sourced.MatchString(r.Basis) {
			t.Errorf("%s does not say what its limit rests on: %q", r.ID, r.Basis)
		}
		for _, word := range []string{"safe", "compl", "shut down by", "protects"} {
			if strings.Contains(strings.ToLower(r.Label+r.Action+r.Basis), word) {
				t.Errorf("%s promises too much: %q", r.ID, word)
			}
		}
	}
}

// The figures asked of the rules, whatever their limits are.
func TestStandardRulesKeepTheirPromises(t *testing.T) {
	rules := map[string]model.AlarmRule{}
	for _, r := range whole() {
		rules[r.ID] = r
	}
	none := rules["oil.pressure.missing"]
	if d := none.ArmDelay + none.OnDelay + time.Second; d > 10*time.Second ||
		none.Priority != model.Critical {
		t.Errorf("missing oil pressure is %s after %s with one poll a second, want critical "+
			"within 10 s", none.Priority, d)
	}
	if r := rules["device.engine.lost"]; r.OnDelay > 15*time.Second {
		t.Errorf("a lost device is told after %s, want 15 s", r.OnDelay)
	}
	if r := rules["battery.charging"]; r.ArmDelay+r.OnDelay > 2*time.Minute {
		t.Errorf("a battery that is not charged is told after %s, want 2 min", r.ArmDelay+r.OnDelay)
	}
	for _, pair := range [][2]string{{"oil.pressure.sinking", "oil.pressure.low"},
		{"battery.rest.low", "battery.rest.flat"},
		{"battery.crank.low", "battery.crank.collapsed"}, {"fuel.low", "fuel.empty"},
		{"fuel.time.short", "fuel.time.out"}, {"battery.charging", "battery.draining"}} {
		if rules[pair[0]].Limit <= rules[pair[1]].Limit || rules[pair[0]].Low < rules[pair[1]].Low {
			t.Errorf("%s warns after %s", pair[0], pair[1])
		}
	}
	for _, pair := range [][2]string{{"coolant.warm", "coolant.hot"},
		{"load.high", "load.far.high"}, {"excitation.high", "excitation.far.high"},
		{"current.negative.high", "current.negative.far"},
		{"frequency.hunting", "frequency.hunting.far"},
		{"starter.long", "starter.hot"}, {"ambient.warm", "ambient.hot"},
		{"co.high", "co.far.high"}, {"battery.charging.high", "battery.overcharged"}} {
		if rules[pair[0]].Limit >= rules[pair[1]].Limit {
			t.Errorf("%s warns after %s", pair[0], pair[1])
		}
	}
}

// Turning the key off stops a set by its solenoid or actuator only: of another
// the key says nothing, but an engine that starts with its key off stays an alarm.
func TestOnlyAKeyThatStopsTheSetIsHeldAgainstIt(t *testing.T) {
	for means, stops := range map[model.StopMeans]bool{model.BySolenoid: true,
		model.ByActuator: true, model.ByStopButton: false, model.ByLever: false} {
		r := rated
		r.StoppedBy = means
		ids := map[string]bool{}
		for _, rule := range rulesFor(r, everyPoint()...) {
			ids[rule.ID] = true
		}
		if ids["engine.not.stopping"] != stops || ids["engine.stopping.slowly"] != stops ||
			!ids["engine.started.unasked"] {
			t.Errorf("stopped by %s: a set that runs on is an alarm: %v, one that runs slowly to "+
				"rest: %v, one that starts unasked: %v",
				means, ids["engine.not.stopping"], ids["engine.stopping.slowly"],
				ids["engine.started.unasked"])
		}
	}
}

// Without excitation a meter that lives on the set's own voltage is dark for as
// long as the set runs: neither its silence nor what it would watch is an alarm.
func TestWithoutExcitationAMeterThatTheSetFeedsIsNotMissed(t *testing.T) {
	points := map[model.PointID]model.Point{model.SpeedPoint: {Device: "engine"},
		model.FrequencyPoint: {Device: "meter"}, model.VoltageL1N: {Device: "meter"}}
	for _, c := range []struct{ off, fed, watched bool }{{true, true, false}, {true, false, true},
		{false, true, true}} {
		r := rated
		r.ExcitationOff = c.off
		ids := map[string]bool{}
		for _, rule := range Standard(r, points,
			[]model.Device{{Name: "engine"}, {Name: "meter", PoweredBySet: c.fed}}) {
			ids[rule.ID] = true
		}
		if ids["device.meter.lost"] != c.watched || ids["frequency.high"] != c.watched ||
			!ids["device.engine.lost"] {
			t.Errorf("excitation off %v, fed by the set %v: the meter is missed %v, its "+
				"frequency watched %v", c.off, c.fed, ids["device.meter.lost"],
				ids["frequency.high"])
		}
	}
}

// 10 psi for each 1000 r/min is 68.95 kPa for each 16.67 revolutions a second
// (psi by NIST SP 811; the rule itself is from memory).
func TestOilLimitFollowsTheWorkshopRule(t *testing.T) {
	m := New(hatchery())
	for _, c := range []struct{ rpm, psi float64 }{{1500, 15}, {3000, 30}} {
		m.Step(&model.Scan{At: m.at.Add(time.Second), Samples: []model.Sample{
			model.GoodSample(model.SpeedPoint, c.rpm/60),
			model.GoodSample(model.OilPressure, 4e5)}})
		got := m.byID["oil.pressure.low"].limit
		if want := c.psi * 6894.757; math.Abs(got-want)/want > 0.02 {
			t.Errorf("at %v r/min the limit is %.0f Pa, want %.0f within 2 %%", c.rpm, got, want)
		}
	}
}

func TestSpeedComesFromTheFrequencyWhenThereIsNoOther(t *testing.T) {
	m := New(hatchery())
	m.Step(&model.Scan{At: model.Instant{Boot: 1}, Samples: []model.Sample{
		model.GoodSample(model.FrequencyPoint, 50), model.GoodSample(model.OilPressure, 4e5)}})
	if got, want := m.byID["oil.pressure.low"].limit, 25*oilPerSpeed; got != want {
		t.Errorf("50 Hz of four poles give %v Pa, want %v", got, want)
	}
}

func TestRulesNeedTheirPointsAndRating(t *testing.T) {
	rules := Standard(model.Rating{}, nil, nil)
	var ids []string
	for _, r := range rules {
		ids = append(ids, r.ID)
	}
	want := "engine.stopped.loaded engine.failed.to.start starter.hot starter.long engine.unseen " +
		"engine.blind alarms.unwatched alarms.flood"
	if got := strings.Join(ids, " "); got != want {
		t.Errorf("a set of which nothing is known has the rules %s; want %s", got, want)
	}
	points := map[model.PointID]model.Point{model.BatteryVoltage: {}, model.VoltageL12: {},
		model.FrequencyPoint: {}}
	for _, r := range Standard(model.Rating{Battery: 24, Voltage: 400, Frequency: 60}, points,
		nil) {
		switch r.ID {
		case "battery.charging":
			near(t, r.ID, r.Limit, 26.2)
		case "voltage.l12.off":
			near(t, r.ID, r.Low, 360)
			near(t, r.ID, r.Limit, 440)
		case "frequency.high":
			near(t, r.ID, r.Limit, 69)
		}
	}
}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-9*math.Abs(want) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}
