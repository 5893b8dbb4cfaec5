package alarms

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"tickover/model"
)

// inputsOfDerived are the measured points that the derived ones of the cases are
// worked out from.
var inputsOfDerived = map[model.PointID][]model.PointID{
	model.LoadRatio:           {model.PowerActive},
	model.LoadApparentRatio:   model.PhaseCurrents[:],
	model.NegativeCurrent:     model.PhaseCurrents[:],
	model.VoltageUnbalance:    model.LineVoltages[:],
	model.VoltsPerHertzRatio:  append(model.PhaseVoltages[:], model.FrequencyPoint),
	model.ZeroSequenceVoltage: append(model.PhaseVoltages[:], model.LineVoltages[:]...),
	model.NeutralSuspect:      append(model.PhaseVoltages[:], model.LineVoltages[:]...),
}

const (
	at231 = " voltage.l1n=231V voltage.l2n=231V voltage.l3n=231V voltage.l12=400V " +
		"voltage.l23=400V voltage.l31=400V"
	at280 = " voltage.l1n=280V voltage.l2n=280V voltage.l3n=280V voltage.l12=485V " +
		"voltage.l23=485V voltage.l31=485V"
	at4 = " frequency=0Hz voltage.l1n=4V voltage.l2n=4V voltage.l3n=4V voltage.l12=7V " +
		"voltage.l23=7V voltage.l31=7V"
	inRun  = "until 60s loaded"
	asleep = "until 60s standstill"
)

// happens plays each danger of the table as all instruments of the set show it.
var happens = map[string][]string{
	"co":        {inRun, "until 70s co=150ppm"},
	"terminals": {asleep, "until 80s" + at231},
	"neutral":   {inRun, "until 80s voltage.zero=20V neutral.suspect=1"},
	"earth":     {inRun, "until 80s voltage.npe=60V"},
	"leakage":   {inRun, "until 80s current.residual=50mA"},
	"start":     {asleep, "until 80s cranking key.on=0"},
	"breaker":   {inRun, "until 80s breaker.closed=0"},
	"overspeed": {inRun, "until 80s speed=1740r/min frequency=58Hz"},
	"runaway":   {inRun, "until 130s idling key.on=0"},
	"oil":       {inRun, "until 90s oil.pressure=0.1bar oil.switch=1"},
	"coolant": {inRun, "until 90s coolant.temperature=90°C..105°C",
		"until 120s coolant.temperature=105°C"},
	"level":        {inRun, "until 240s coolant.temperature=80°C..50°C coolant.level.switch=1"},
	"reverse":      {inRun, "until 80s load.ratio=-15% power.active=-6kW"},
	"overload":     {"poll 5s", inRun, "until 400s load.ratio=115% load.apparent.ratio=115%"},
	"voltage.high": {inRun, "until 80s" + at280},
	"voltage.lost": {inRun, "until 80s" + at4},
	"voltage.absent": {asleep, "until 65s cranking", "until 75s running-up" + at4,
		"until 100s unloaded" + at4},
	"rotor":      {"poll 5s", inRun, "until 500s current.negative=34%"},
	"unbalance":  {inRun, "until 150s voltage.unbalance=6%"},
	"excitation": {inRun, "until 100s idling volts.per.hertz.ratio=130%"},
	"capacitive": {inRun, "until 100s power.reactive=-12kvar"},
	"winding": {inRun,
		"until 100s winding.temperature.l1=140°C winding.temperature.l2=140°C " +
			"winding.temperature.l3=140°C"},
	"oil.hot": {inRun, "until 100s oil.temperature=90°C..128°C",
		"until 130s oil.temperature=128°C"},
	"bearing": {inRun, "until 100s bearing.temperature=60°C..100°C",
		"until 130s bearing.temperature=100°C"},
	"exhaust": {"poll 5s", "until 700s loaded", "until 800s exhaust.temperature=400°C"},
	"slow":    {inRun, "until 80s speed=1260r/min frequency=42Hz"},
	"stop":    {inRun, "until 70s running-down", "until 80s standstill"},
	"charge": {asleep, "until 64s cranking",
		"until 220s idling battery.voltage=11.8V charge.lamp=1"},
	"overcharge": {inRun, "until 120s battery.voltage=15.5V"},
	"air":        {inRun, "until 200s ambient.temperature=60°C"},
	"fuel":       {inRun, "until 200s fuel.level=5%"},
}

// playDanger plays a danger on a set and returns what was raised. A cause of
// NoCause takes the point away, any other fails it from the first reading on.
func playDanger(t *testing.T, id string, gone model.PointID, cause model.Cause) (*Machine,
	[]model.Danger, map[string]bool) {
	ids := slices.DeleteFunc(everyPoint(),
		func(p model.PointID) bool { return cause == model.NoCause && p == gone })
	points := map[model.PointID]model.Point{}
	for _, p := range ids {
		points[p] = model.Point{ID: p}
	}
	rules := Standard(rated, points, []model.Device{{Name: "engine"}, {Name: "meter"}})
	s := newStage(t)
	s.machine, s.calm = New(rules), true
	s.spoil = func(sample *model.Sample) bool {
		lacks := sample.Point == gone || slices.Contains(inputsOfDerived[sample.Point], gone)
		if cause == model.NoCause && (sample.Point == model.LoadApparentRatio ||
			sample.Point == model.VoltsPerHertzRatio) {
			// one phase is enough
			lacks = gone == model.FrequencyPoint && sample.Point == model.VoltsPerHertzRatio
		}
		switch {
		case lacks && cause == model.NoCause:
			return false
		case lacks && sample.Point == gone:
			*sample = model.BadSample(gone, cause)
		case lacks:
			*sample = model.BadSample(sample.Point, model.InputBad)
		}
		return true
	}
	if cause == model.NoAnswer {
		s.tell(s.machine.Device(model.Instant{Boot: 1}, "engine", false))
	}
	for _, line := range happens[id] {
		s.do(line)
	}
	raised := map[string]bool{}
	for _, e := range s.journal {
		if e.To == model.AlarmUnacknowledged && e.From != e.To {
			raised[e.Rule] = true
		}
	}
	return s.machine, Dangers(rules, points), raised
}

// Every danger is warned of although any one instrument is missing or has failed;
// where it is not, the table says that nothing sees it, or the instrument is
// called failed and its alarms unwatched. Nothing is ever silent.
func TestEveryDangerIsToldWithAnyInstrumentMissingOrFailed(t *testing.T) {
	told, unseen, unwatched := 0, 0, 0
	for _, d := range dangers {
		t.Run(d.id, func(t *testing.T) {
			if happens[d.id] == nil {
				t.Fatal("no case plays this danger")
			}
			for _, gone := range append(everyPoint(), "") {
				for _, cause := range []model.Cause{model.NoCause, model.SensorFailed,
					model.NoAnswer} {
					if gone == "" && cause != model.NoCause {
						continue
					}
					m, all, raised := playDanger(t, d.id, gone, cause)
					row := all[slices.IndexFunc(all,
						func(a model.Danger) bool { return a.ID == d.id })]
					switch {
					case warned(row, raised):
						told++
					case gone == "":
						t.Errorf("not warned of with every instrument there; raised: %v",
							slices.Sorted(maps.Keys(raised)))
					case cause == model.NoCause && row.Blind != "" && row.Fit != "":
						unseen++
					case cause != model.NoCause && blinded(m, row) && noticed(raised, gone):
						unwatched++
					default:
						t.Errorf("%s %s: silence; raised: %v", gone, cause,
							slices.Sorted(maps.Keys(raised)))
					}
				}
			}
		})
	}
	t.Logf("%d dangers: %d times warned of, %d times not seen by the table, %d times called "+
		"unwatched", len(dangers), told, unseen, unwatched)
}

// warned reports whether a rule of the danger was raised.
func warned(d model.Danger, raised map[string]bool) bool {
	return slices.ContainsFunc(d.Seen, func(s model.Sight) bool {
		return slices.ContainsFunc(s.Rules, func(id string) bool { return raised[id] })
	})
}

// blinded reports whether each rule of the danger is called unwatched.
func blinded(m *Machine, d model.Danger) bool {
	for _, s := range d.Seen {
		for _, id := range s.Rules {
			if w := m.byID[id]; !w.unwatched {
				return false
			}
		}
	}
	return true
}

// noticed reports whether the loss of a point is announced.
func noticed(raised map[string]bool, gone model.PointID) bool {
	return raised[string(gone)+".failed"] || raised["alarms.unwatched"] ||
		raised["device.engine.lost"]
}

// Of a set with an oil switch and a meter alone, by the words of the table.
func TestDangersThatASetCannotSee(t *testing.T) {
	points := map[model.PointID]model.Point{}
	for _, p := range []model.PointID{model.OilSwitch, model.FrequencyPoint, model.VoltageL1N,
		model.VoltageL2N, model.VoltageL3N} {
		points[p] = model.Point{ID: p}
	}
	said := map[string]string{}
	for _, d := range Dangers(Standard(rated, points, nil), points) {
		said[d.ID] = d.Blind
	}
	for id, want := range map[string]string{
		"oil": "loss of oil pressure only by oil pressure switch: no warning before " +
			"it is low",
		"overspeed":    "overspeed only by frequency: blind without excitation",
		"coolant":      "no instrument shows an engine that is too hot",
		"level":        "no instrument shows a loss of coolant",
		"terminals":    "no instrument shows voltage on a stopped set",
		"co":           "no instrument shows carbon monoxide",
		"overload":     "no instrument shows an engine overload",
		"stop":         "no instrument shows a stop on load",
		"voltage.lost": "",
		"voltage.absent": "no voltage at speed only by voltmeter with frequency: blind below the " +
			"voltage at which a meter finds a frequency",
	} {
		if said[id] != want {
			t.Errorf("%s: %q, want %q", id, said[id], want)
		}
	}
	delete(points, model.OilSwitch)
	for _, d := range Dangers(Standard(rated, points, nil), points) {
		if d.ID == "oil" && (d.Blind != "no instrument shows a loss of oil pressure" ||
			!d.Unseen()) {
			t.Errorf("without an oil instrument: %+v", d)
		}
	}
}

// The table names rules that exist, every critical rule belongs to a danger, and
// what harms people comes before what harms the load.
func TestTheTableOfDangersIsWhole(t *testing.T) {
	rules, listed := map[string]model.AlarmRule{}, map[string]bool{}
	for _, set := range sets() {
		for _, r := range set {
			rules[r.ID] = r
		}
	}
	for _, d := range dangers {
		for _, s := range d.seenBy {
			for _, id := range s.rules {
				listed[id] = true
				if rules[id].ID == "" {
					t.Errorf("%s: there is no rule %s", d.id, id)
				}
			}
		}
		if d.blind == "" || d.fit == "" || strings.Contains(d.blind, ".") {
			t.Errorf("%s: %q, %q", d.id, d.blind, d.fit)
		}
	}
	for id, r := range rules {
		if r.Priority == model.Critical && !listed[id] && id != "engine.blind" {
			t.Errorf("the critical rule %s is in no row", id)
		}
	}
	if first, last := dangers[0].id, dangers[len(dangers)-1].id; first != "co" || last != "fuel" {
		t.Errorf("the table goes from %s to %s", first, last)
	}
	for i, d := range Dangers(whole(), nil) {
		if d.Consequence == "" || i < 8 && !strings.HasPrefix(d.Consequence, "people") {
			t.Errorf("row %d, %s: %q", i, d.ID, d.Consequence)
		}
	}
}
