package main

import (
	"slices"
	"testing"
	"time"

	"tickover/alarms"
	"tickover/config"
	"tickover/model"
)

// pace is one stretch of scans a second apart with the same values.
type pace struct {
	scans  int
	engine model.EngineState
	values map[model.PointID]float64
}

// Alarms as a user writes them, read from a file, warn of how a value moves
// and stay quiet in a near miss. Each stretch of a case goes on from the last.
func TestAlarmsOfTheUserWatchHowAValueMoves(t *testing.T) {
	cfg, err := config.Load("../../testdata/config/everything.yaml")
	if err != nil {
		t.Fatal(err)
	}
	hunt := func(hertz, watts float64) []pace {
		return []pace{{30, model.Loaded, map[model.PointID]float64{"frequency": 50, "power.active": 9000}},
			{1, model.Loaded, map[model.PointID]float64{"frequency": 50 + hertz, "power.active": 9000 + watts}}}
	}
	bar := func(before, after float64) []pace {
		return []pace{{5, model.Loaded, map[model.PointID]float64{"oil.pressure": before * 1e5}},
			{1, model.Loaded, map[model.PointID]float64{"oil.pressure": after * 1e5}}}
	}
	outlet := func(still int) []pace {
		return []pace{{1, model.Standstill, map[model.PointID]float64{"radiator.outlet": 20}},
			{still, model.Loaded, map[model.PointID]float64{"radiator.outlet": 20}},
			{900, model.Loaded, map[model.PointID]float64{"radiator.outlet": 20.1}}}
	}
	starts := func(n int) (all []pace) {
		for range n {
			all = append(all, pace{1, model.Standstill, map[model.PointID]float64{"starts": 7}}, pace{1, model.RunningUp, map[model.PointID]float64{"starts": 7}})
		}
		return all
	}
	warm := func(celsius, hertz float64) []pace {
		v := map[model.PointID]float64{"oil.pressure": 1.5e5, "oil.temperature": celsius, "frequency": 50}
		w := map[model.PointID]float64{"oil.pressure": 1.5e5, "oil.temperature": celsius, "frequency": 50 + hertz}
		return []pace{{28, model.Unloaded, v}, {20, model.Unloaded, w}}
	}
	for _, c := range []struct {
		rule, what string
		plays      []pace
		warns      bool
	}{
		{"frequency.hunts", "2.1 Hz", hunt(2.1, 0), true},
		{"frequency.hunts", "1.9 Hz", hunt(1.9, 0), false},
		{"frequency.hunts", "2.1 Hz with a step of 3 kW", hunt(2.1, 3000), false},
		{"oil.jumps", "21 bar/s", bar(3, 24), true},
		{"oil.jumps", "19 bar/s", bar(3, 22), false},
		{"outlet.stuck", "15 min", outlet(900), true},
		{"outlet.stuck", "14 min 58 s", outlet(898), false},
		{"starts.stuck", "three starts", starts(3), true},
		{"starts.stuck", "two starts", starts(2), false},
		{"oil.unloaded", "1.5 bar, warm", warm(61, 0), true},
		{"oil.unloaded", "1.5 bar, cold", warm(59, 0), false},
		{"oil.unloaded", "1.5 bar, warm, frequency not steady", warm(61, 0.6), false},
	} {
		i := slices.IndexFunc(cfg.Setup.Alarms, func(r model.AlarmRule) bool { return r.ID == c.rule })
		if i < 0 {
			t.Fatalf("no alarm %s", c.rule)
		}
		if warned := raises(cfg.Setup.Alarms[i], c.plays); warned != c.warns {
			t.Errorf("%s at %s: warned %v", c.rule, c.what, warned)
		}
	}
}

// raises plays to one rule and reports whether it was raised.
func raises(rule model.AlarmRule, plays []pace) (raised bool) {
	machine := alarms.New([]model.AlarmRule{rule})
	at := model.Instant{Boot: 1}
	for _, p := range plays {
		scan := &model.Scan{Samples: []model.Sample{model.GoodSample(model.EngineStatePoint, float64(p.engine))}}
		for point, v := range p.values {
			scan.Samples = append(scan.Samples, model.GoodSample(point, v))
		}
		for range p.scans {
			scan.At = at
			for _, e := range machine.Step(scan) {
				raised = raised || e.To == model.AlarmUnacknowledged
			}
			at = at.Add(time.Second)
		}
	}
	return raised
}
