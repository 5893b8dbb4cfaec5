package running

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"tickover/model"
	"tickover/model/plant"
)

func sameWithin(a, b []time.Duration, d time.Duration) bool {
	return slices.EqualFunc(a, b, func(x, y time.Duration) bool { return (x - y).Abs() <= d })
}

// removals are the signals taken away one at a time.
var removals = map[string][]model.PointID{
	"battery":   {model.BatteryVoltage},
	"oil":       {model.OilPressure},
	"speed":     {model.SpeedPoint},
	"frequency": {model.FrequencyPoint},
	"voltages":  append(model.PhaseVoltages[:], model.LineVoltages[:]...),
	"power":     {model.PowerActive},
	"lamp":      {model.ChargeLamp},
	"key":       {model.KeyOn},
}

// Whichever signal is missing, the same cranks, starts and stops are seen, one
// poll apart at most.
func TestAnyOneSignalMissing(t *testing.T) {
	for seed := uint64(1); seed <= 3; seed++ {
		events, _ := brief(seed).play(t, New(plant.HatcheryRating()))
		all := find(events)
		if len(all.cranks) != 2 || len(all.starts) != 1 || len(all.stops) != 2 {
			t.Fatalf("plant %d: with every signal: %+v", seed, all)
		}
		for name, points := range removals {
			t.Run(fmt.Sprintf("%s/%d", name, seed), func(t *testing.T) {
				d := brief(seed)
				d.without = points
				events, _ := d.play(t, New(plant.HatcheryRating()))
				got := find(events)
				if !sameWithin(got.cranks, all.cranks, time.Second) || !sameWithin(got.starts, all.starts, time.Second) ||
					!sameWithin(got.stops, all.stops, time.Second) {
					t.Errorf("got %+v\nwith every signal %+v", got, all)
				}
			})
		}
	}
}

// Random sets, one signal missing at a time, a tenth of the scans lost.
func TestRandomDays(t *testing.T) {
	names := []string{"none"}
	for name := range removals {
		names = append(names, name)
	}
	slices.Sort(names)
	for seed := uint64(100); seed < 124; seed++ {
		d := brief(seed)
		d.phase = time.Duration(seed*37%900+50) * time.Millisecond
		d.drop = 0.1
		name := names[int(seed)%len(names)]
		d.without = removals[name]
		events, last := d.play(t, New(plant.HatcheryRating()))
		runs := Runs(events, last)
		if len(runs) != 1 || runs[0].Cranks != 2 || runs[0].Starts != 1 || runs[0].Stopped.IsZero() {
			t.Errorf("plant %d without %s: %+v\n%s", seed, name, find(events), tell(events, last))
		}
	}
}

func TestNoFalseStartInTwelveHours(t *testing.T) {
	lengths := map[string]time.Duration{"nothing": 12 * time.Hour}
	for name := range removals {
		lengths[name] = time.Hour
	}
	for name, length := range lengths {
		d := hatchery(77)
		d.script, d.length, d.without, d.drop = nil, length, removals[name], 0.05
		events, _ := d.play(t, New(plant.HatcheryRating()))
		if len(events) != 1 || events[0].Engine.To != model.Standstill {
			t.Errorf("without %s: %d changes, first %+v", name, len(events), events[0].Engine)
		}
	}
}

// scanAt makes a scan of good values; a negative value is a bad sample.
func scanAt(boot uint32, at time.Duration, values map[model.PointID]float64) *model.Scan {
	scan := &model.Scan{Group: "all/1s", At: model.Instant{Boot: boot, Offset: at}}
	for id, v := range values {
		s := model.GoodSample(id, v)
		if v < 0 {
			s = model.BadSample(id, model.NoAnswer)
		}
		scan.Samples = append(scan.Samples, s)
	}
	return scan
}

var (
	atRest  = map[model.PointID]float64{model.SpeedPoint: 0, model.OilPressure: 0, model.BatteryVoltage: 12.6, model.VoltageL1N: 0}
	running = map[model.PointID]float64{model.SpeedPoint: 25, model.OilPressure: 3e5, model.BatteryVoltage: 14.1,
		model.VoltageL1N: 230, model.FrequencyPoint: 50, model.PowerActive: 20e3}
)

func feed(e *Engine, boot uint32, from time.Duration, n int, values map[model.PointID]float64) (changes []model.StateChange) {
	for i := range n {
		if _, c := e.Step(scanAt(boot, from+time.Duration(i)*time.Second, values)); c != nil {
			changes = append(changes, *c)
		}
	}
	return changes
}

func TestJoiningARunningEngineIsNoStart(t *testing.T) {
	e := New(plant.HatcheryRating())
	changes := feed(e, 1, 0, 10, running)
	if len(changes) != 1 || changes[0].From != model.EngineUnknown || changes[0].To != model.Loaded {
		t.Errorf("changes %+v", changes)
	}
}

func TestResume(t *testing.T) {
	e := New(plant.HatcheryRating())
	e.Resume(model.Loaded, model.Instant{Boot: 1, Offset: time.Hour})
	if changes := feed(e, 1, time.Hour+20*time.Second, 10, running); len(changes) != 0 {
		t.Errorf("a short restart in the middle of a run changes %+v", changes)
	}
	e.Resume(model.Loaded, model.Instant{Boot: 1, Offset: time.Hour})
	changes := feed(e, 2, 30*time.Second, 10, running)
	if len(changes) != 1 || changes[0].From != model.EngineUnknown || changes[0].To != model.Loaded {
		t.Errorf("a reboot in the middle of a run changes %+v", changes)
	}
	e.Resume(model.Loaded, model.Instant{Boot: 1, Offset: time.Hour})
	changes = feed(e, 2, 30*time.Second, 10, atRest)
	if len(changes) != 1 || changes[0].To != model.Standstill {
		t.Errorf("a reboot after the stop changes %+v", changes)
	}
}

func TestUnknownWhenNothingSpeaks(t *testing.T) {
	e := New(plant.HatcheryRating())
	feed(e, 1, 0, 10, running)
	silent := map[model.PointID]float64{}
	for id := range running {
		silent[id] = -1
	}
	changes := feed(e, 1, 10*time.Second, 20, silent)
	if len(changes) != 1 || changes[0].To != model.EngineUnknown {
		t.Errorf("changes %+v", changes)
	}
	if changes = feed(e, 1, 30*time.Second, 5, running); len(changes) != 1 || changes[0].To != model.Loaded {
		t.Errorf("back again: %+v", changes)
	}
}

// A mains charger floats the battery at the voltage of a running engine.
func TestMainsChargerIsNoEngine(t *testing.T) {
	e := New(plant.HatcheryRating())
	changes := feed(e, 1, 0, 100, map[model.PointID]float64{model.BatteryVoltage: 13.8, model.OilPressure: 0.1e5})
	if len(changes) != 1 || changes[0].To != model.Standstill {
		t.Errorf("changes %+v", changes)
	}
}

// A stuck oil sensor, a dead pickup, mains on the meter: each alone is outvoted.
func TestOneLiarIsOutvoted(t *testing.T) {
	for _, lie := range []map[model.PointID]float64{
		{model.OilPressure: 3e5}, {model.VoltageL1N: 230, model.FrequencyPoint: 50},
	} {
		values := merge(atRest, lie)
		if changes := feed(New(plant.HatcheryRating()), 1, 0, 50, values); len(changes) != 1 || changes[0].To != model.Standstill {
			t.Errorf("%v at rest: %+v", lie, changes)
		}
	}
	for _, lie := range []map[model.PointID]float64{
		{model.OilPressure: 0}, {model.SpeedPoint: 0}, {model.VoltageL1N: 0, model.FrequencyPoint: 0}, {model.BatteryVoltage: 12.4},
	} {
		values := merge(running, lie)
		changes := feed(New(plant.HatcheryRating()), 1, 0, 50, values)
		if len(changes) != 1 || !changes[0].To.Running() {
			t.Errorf("%v running: %+v", lie, changes)
		}
	}
}

func merge(a, b map[model.PointID]float64) map[model.PointID]float64 {
	m := map[model.PointID]float64{}
	for _, from := range []map[model.PointID]float64{a, b} {
		for id, v := range from {
			m[id] = v
		}
	}
	return m
}

func BenchmarkStep(b *testing.B) {
	e := New(plant.HatcheryRating())
	scan := scanAt(1, 0, running)
	for b.Loop() {
		scan.At.Offset += time.Second
		e.Step(scan)
	}
}
