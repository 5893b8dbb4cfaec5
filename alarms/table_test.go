package alarms

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/model"
	"tickover/testdata/reference"
)

// step is one transition by its letters, such as "AB".
type step string

// allowedSteps reads the published table: each transition with the row it is from.
func allowedSteps(t *testing.T) map[step]string {
	t.Helper()
	allowed := map[step]string{}
	for _, row := range reference.Rows(t, "alarm_state_transitions.csv") {
		froms := row["from_code"]
		if froms == "any" {
			froms = "ABCDEFGHI"
		}
		for _, from := range froms {
			for _, to := range strings.Split(row["to_code"], " or ") {
				allowed[step(string(from)+to)] = row["from_state"] + ": " + row["event"]
			}
		}
	}
	return allowed
}

func stepOf(e model.AlarmEvent) step { return step(e.From.Letter() + e.To.Letter()) }

var tableRules = []model.AlarmRule{
	{ID: "plain", Kind: model.BelowLimit, Point: model.OilPressure, Limit: 1, Deadband: 0.5,
		OnDelay: 2 * time.Second, OffDelay: 3 * time.Second,
		ArmedIn: []model.EngineState{model.Loaded}},
	{ID: "latched", Priority: model.Critical, Kind: model.AboveLimit, Point: model.OilPressure,
		Limit: 2, Latch: true, ArmedIn: []model.EngineState{model.Idling, model.Loaded},
		ArmDelay: 2 * time.Second, Remind: 5 * time.Second},
	{ID: "always", Kind: model.OutsideBand, Point: model.OilPressure, Low: 1, Limit: 2,
		Latch: true},
	{ID: "failed", Kind: model.PointFailed, Point: model.OilPressure, OnDelay: time.Second},
	{ID: "rate", Kind: model.RisingFaster, Point: model.OilPressure, Limit: 0.2,
		Window: 3 * time.Second, GoodOnce: true},
	{ID: "swings", Kind: model.SwingsMore, Point: model.OilPressure, Limit: 1,
		Window: 4 * time.Second, Remind: 3 * time.Second},
	{ID: "jumps", Kind: model.JumpsFaster, Point: model.OilPressure, Limit: 0.6,
		OffDelay: 2 * time.Second, While: model.AlarmCondition{Point: model.OilPressure, Limit: 1}},
	{ID: "lost", Kind: model.DeviceLost, Device: "meter", OnDelay: 2 * time.Second},
}

// No sequence of scans, dropouts, boots, restarts and people's acts makes a
// transition that the published table does not have; each event starts where
// the one before ended; and Bad input alone neither raises nor clears.
func TestEveryTransitionIsInThePublishedTable(t *testing.T) {
	allowed := allowedSteps(t)
	seen := map[step]bool{}
	rapid.Check(t, func(rt *rapid.T) {
		d := &dice{rt: rt, m: New(tableRules), at: model.Instant{Boot: 1},
			state: map[string]model.AlarmState{}}
		for range 200 {
			bad := d.roll()
			for _, e := range d.events {
				check(rt, d, e, allowed, bad)
				seen[stepOf(e)] = true
			}
			d.journal = append(d.journal, d.events...)
		}
	})
	for s, row := range allowed {
		if !seen[s] && !unused(s) {
			t.Errorf("%s (%s) never happened", s, row)
		}
	}
}

// unused lists the table's transitions that the package comment says are not
// used: suppression of anything but a normal alarm, and doing to an alarm what is done already. A
// suppressed alarm's condition is
// not judged before it is released, save by a rule without delay.
func unused(s step) bool {
	return s[1] == 'H' && s[0] != 'A' || s == "II" || s == "IG"
}

func check(rt *rapid.T, d *dice, e model.AlarmEvent, allowed map[step]string, bad bool) {
	if e.From != d.state[e.Rule] {
		rt.Fatalf("%s goes from %s, but was %s", e.Rule, e.From, d.state[e.Rule])
	}
	d.state[e.Rule] = e.To
	// A shelved alarm may be shelved anew, which the table's "any" covers.
	if e.From == e.To && e.To != model.AlarmShelved {
		if e.Who != "" {
			rt.Fatalf("%s: a person's act without a transition", e.Rule)
		}
		return
	}
	if _, ok := allowed[stepOf(e)]; !ok {
		rt.Fatalf("%s: %s to %s is not in the table", e.Rule, e.From, e.To)
	}
	process := e.Rule != "lost" && e.Rule != "failed"
	if bad && process && e.Who == "" && e.To == model.AlarmUnacknowledged &&
		e.From != model.AlarmShelved {
		rt.Fatalf("%s rose on a Bad sample", e.Rule)
	}
	if bad && e.Rule == "always" && (stepOf(e) == "BE" || stepOf(e) == "CF") {
		rt.Fatalf("%s cleared on a Bad sample", e.Rule)
	}
}

// dice plays a machine at random.
type dice struct {
	rt      *rapid.T
	m       *Machine
	at      model.Instant
	state   map[string]model.AlarmState
	events  []model.AlarmEvent
	journal []model.AlarmEvent
}

// roll does one thing; bad tells that it was a scan of Bad samples only.
func (d *dice) roll() (bad bool) {
	d.events = nil
	d.at = d.at.Add(time.Duration(rapid.IntRange(0, 3).Draw(d.rt, "s")) * time.Second)
	rule := tableRules[rapid.IntRange(0, len(tableRules)-1).Draw(d.rt, "rule")].ID
	switch rapid.IntRange(0, 19).Draw(d.rt, "what") {
	case 0:
		d.events, _ = d.m.shelve(rule, "Ada", "repair", d.at.Add(5*time.Second), d.at)
	case 1:
		d.events, _ = d.m.unshelve(rule, "Ada", "", d.at)
	case 2:
		d.events, _ = d.m.takeOutOfService(rule, "Ada", "repair", d.at)
	case 3:
		d.events, _ = d.m.returnToService(rule, "Ada", "", d.at)
	case 4, 5, 6:
		d.events, _ = d.m.acknowledge(rule, "Ada", "", d.at)
	case 7:
		d.events = d.m.Device(d.at, "meter", rapid.Bool().Draw(d.rt, "up"))
	case 8:
		d.restart()
	default:
		return d.scan()
	}
	return false
}

func (d *dice) restart() {
	if rapid.Bool().Draw(d.rt, "boot") {
		d.at = model.Instant{Boot: d.at.Boot + 1, Offset: time.Second}
		return
	}
	d.m = New(tableRules)
	d.m.Replay(d.journal)
	for _, s := range d.m.Status() {
		if was, ok := d.state[s.Rule.ID]; ok && was != s.State {
			d.rt.Fatalf("%s was %s and is %s after a restart", s.Rule.ID, was, s.State)
		}
	}
}

func (d *dice) scan() (bad bool) {
	s := model.GoodSample(model.OilPressure,
		rapid.SampledFrom([]float64{0.2, 1.2, 1.7, 2.4}).Draw(d.rt, "oil"))
	if rapid.IntRange(0, 5).Draw(d.rt, "quality") == 0 {
		s = model.BadSample(model.OilPressure,
			rapid.SampledFrom([]model.Cause{model.SensorFailed, model.NoAnswer}).Draw(d.rt,
				"cause"))
	}
	scan := &model.Scan{At: d.at, Samples: []model.Sample{s}}
	// Leaving the engine out of Bad scans keeps "unarmed" apart from "cleared".
	if s.Quality == model.Good {
		state := rapid.SampledFrom([]model.EngineState{model.Standstill, model.RunningUp,
			model.Loaded, model.Loaded, model.Idling, model.EngineUnknown}).Draw(d.rt, "engine")
		scan.Samples = append(scan.Samples,
			model.GoodSample(model.EngineStatePoint, float64(state)))
	}
	d.events = d.m.Step(scan)
	return s.Quality == model.Bad
}

// Each state the table knows is reached from the rules above, in order.
func TestAStepInSteadyStateAllocatesNothing(t *testing.T) {
	m, scan := New(whole()), &model.Scan{At: model.Instant{Boot: 1}}
	for p, v := range map[model.PointID]float64{model.EngineStatePoint: float64(model.Loaded),
		model.OilPressure:        3e5,
		model.CoolantTemperature: 82, model.SpeedPoint: 25, model.FrequencyPoint: 50,
		model.BatteryVoltage: 13.8,
		model.VoltageL1N:     230, model.VoltageL2N: 230, model.VoltageL3N: 230} {
		scan.Samples = append(scan.Samples, model.GoodSample(p, v))
	}
	tick := func() {
		scan.At = scan.At.Add(time.Second)
		m.Step(scan)
	}
	for _, c := range []struct {
		what   string
		sample model.Sample
	}{
		{"everything is well", model.GoodSample(model.OilPressure, 3e5)},
		{"the oil alarm stands", model.GoodSample(model.OilPressure, 1e4)},
		{"the oil pressure is not seen", model.BadSample(model.OilPressure, model.NoAnswer)},
		{"the engine stands", model.GoodSample(model.EngineStatePoint, float64(model.Standstill))},
	} {
		scan.Samples = append(scan.Samples, c.sample) // the later sample of a point wins
		for range 100 {
			tick()
		}
		if n := testing.AllocsPerRun(200, tick); n != 0 {
			t.Errorf("while %s a step allocates %v times", c.what, n)
		}
	}
}

// BenchmarkThousandRules shows the share of one core that 1000 rules take at
// ten scans a second.
func BenchmarkThousandRules(b *testing.B) {
	var rules []model.AlarmRule
	for i := range 1000 {
		rules = append(rules, model.AlarmRule{ID: strings.Repeat("x", i%7) + string(rune('a'+i)),
			Kind:  model.BelowLimit,
			Point: model.OilPressure, Limit: 4200, PerSpeed: true, OnDelay: time.Second,
			ArmedIn: onOwnFuel, ArmDelay: time.Second})
	}
	m := New(rules)
	scan := &model.Scan{At: model.Instant{Boot: 1},
		Samples: []model.Sample{model.GoodSample(model.EngineStatePoint, float64(model.Loaded)),
			model.GoodSample(model.OilPressure, 3e5), model.GoodSample(model.SpeedPoint, 25)}}
	b.ReportAllocs()
	for b.Loop() {
		scan.At = scan.At.Add(100 * time.Millisecond)
		m.Step(scan)
	}
	b.ReportMetric(100*10*b.Elapsed().Seconds()/float64(b.N), "%core")
}
