package alarms

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// badPoint is a way in which the readings of one point are no good though its
// sensor is sound.
type badPoint struct {
	name  string
	spoil func(turn int, s *model.Sample) bool // false: the scan lacks it
}

var badPoints = []badPoint{
	{"absent from the first reading on", func(int, *model.Sample) bool { return false }},
	{"noisy", func(turn int, s *model.Sample) bool {
		if turn%2 == 0 {
			*s = model.BadSample(s.Point, model.CorruptAnswer)
		}
		return true
	}},
	{"late", func(turn int, _ *model.Sample) bool { return turn%4 == 0 }},
}

// relevant are the measured points that the rules of a danger need.
func relevant(d danger) []model.PointID {
	rules, all := map[string]model.AlarmRule{}, []model.PointID(nil)
	for _, r := range whole() {
		rules[r.ID] = r
	}
	for _, s := range d.seenBy {
		for _, id := range s.rules {
			for _, p := range pointsOf(rules[id]) {
				all = append(all, p)
				all = append(all, inputsOfDerived[p]...)
			}
		}
	}
	slices.Sort(all)
	return slices.DeleteFunc(slices.Compact(all),
		func(p model.PointID) bool { return !slices.Contains(everyPoint(), p) })
}

// A point that is absent, noisy or late defeats no rule without a sign of it: the
// danger is warned of, or its rules are called unwatched, and on a running set
// somebody is notified of that.
func TestNoBadPointDefeatsARuleInSilence(t *testing.T) {
	told, unwatched := 0, 0
	for _, d := range dangers {
		for _, p := range relevant(d) {
			for _, bad := range badPoints {
				m, raised := playBad(t, d.id, p, bad)
				row := Dangers(whole(), everyPointSet())[slices.IndexFunc(dangers,
					func(o danger) bool { return o.id == d.id })]
				running := m.engine.held.Running()
				switch {
				case warned(row, raised):
					told++
				case blinded(m, row) && (!running || raised["alarms.unwatched"]):
					unwatched++
				default:
					t.Errorf("%s: %s is %s: silence; raised: %v", d.id, p, bad.name,
						slices.Sorted(maps.Keys(raised)))
				}
			}
		}
	}
	t.Logf("%d times warned of, %d times called unwatched", told, unwatched)
}

func everyPointSet() map[model.PointID]model.Point {
	points := map[model.PointID]model.Point{}
	for _, p := range everyPoint() {
		points[p] = model.Point{ID: p}
	}
	return points
}

// playBad plays a danger, and what it ends in for a minute and a half more.
func playBad(t *testing.T, id string, p model.PointID, bad badPoint) (*Machine, map[string]bool) {
	s := newStage(t)
	s.machine, s.calm = New(Standard(rated, everyPointSet(),
		[]model.Device{{Name: "engine"}, {Name: "meter"}})), true
	s.spoil = func(sample *model.Sample) bool {
		if sample.Point == p || slices.Contains(inputsOfDerived[sample.Point], p) {
			return bad.spoil(s.turn, sample)
		}
		return true
	}
	for _, line := range happens[id] {
		s.do(line)
	}
	s.do(fmt.Sprintf("until %s", s.now+90*time.Second))
	raised := map[string]bool{}
	for _, e := range s.journal {
		if e.To == model.AlarmUnacknowledged && e.From != e.To {
			raised[e.Rule] = true
		}
	}
	return s.machine, raised
}

// A reading in the wrong unit raises an alarm in the first loaded half hour,
// whatever the set does. A temperature or an oil pressure so far off is bad by what
// is plausible before it comes here.
func TestAWrongUnitRaisesAnAlarm(t *testing.T) {
	for _, c := range []struct{ wrong, readings, want string }{
		{"oil pressure in bar", "oil.pressure=3.5Pa", "oil.pressure.missing"},
		{"coolant in tenths of a kelvin", "coolant.temperature=8°C", "coolant.cold"},
		{"coolant in kelvin", "coolant.temperature=353°C", "coolant.hot"},
		{"volts a tenth", "voltage.l1n=23V voltage.l2n=23V voltage.l3n=23V", "voltage.absent"},
		{"volts tenfold", "voltage.l1n=2300V voltage.l2n=2300V voltage.l3n=2300V", "voltage.high"},
		{"frequency a tenth, as the volts per hertz show",
			"frequency=5Hz volts.per.hertz.ratio=1000%", "excitation.far.high"},
		{"speed in r/min", "speed=1500", "engine.overspeed"},
		{"battery a tenth", "battery.voltage=1.39V", "battery.charging"},
		{"power in kilowatts", "load.ratio=0.06%", "load.low"},
		{"power a thousandfold", "load.ratio=60000%", "power.far.high"},
		{"power with the other sign", "load.ratio=-60%", "power.reverse.far"},
		{"current a thousandfold", "load.apparent.ratio=62000%", "load.far.high"},
		{"air in kelvin", "ambient.temperature=295°C", "ambient.hot"},
		{"carbon monoxide in ppm", "co=4000000ppm", "co.far.high"},
		{"neutral to earth in millivolts", "voltage.npe=1000V", "neutral.earth.far"},
		{"residual current in milliamperes", "current.residual=4A", "current.residual.high"},
		{"windings in kelvin", "winding.temperature.l1=363°C", "winding.hot"},
	} {
		s := newStage(t)
		s.machine, s.calm = New(whole()), true
		for _, line := range []string{"poll 5s", "until 60s standstill", "until 70s cranking",
			"until 80s running-up", "until 40m loaded " + c.readings} {
			s.do(line)
		}
		if !slices.ContainsFunc(s.journal,
			func(e model.AlarmEvent) bool {
				return e.Rule == c.want &&
					e.To == model.AlarmUnacknowledged
			}) {
			var all []string
			for _, e := range s.journal {
				all = append(all, e.Rule)
			}
			t.Errorf("%s: %s was not raised; events of %s", c.wrong, c.want, strings.Join(all, " "))
		}
	}
}
