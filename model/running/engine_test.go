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

// crankAt is when the starter engages for the start in the hatchery's script.
const crankAt = 256400 * time.Millisecond

// randomDay is a short day of some set, polled at some interval, with some
// signal missing and some scans lost.
func randomDay(seed uint64) (d day, missing string) {
	names := []string{"nothing"}
	for name := range removals {
		names = append(names, name)
	}
	slices.Sort(names)
	flip := dice(seed * 7919)
	flip()
	d = brief(seed)
	d.script = append(slices.Clone(d.script[:10]),
		plant.Action{At: 700 * time.Second, Text: "key off", Do: func(p *plant.Plant) { p.Key(false) }})
	d.length = 760 * time.Second
	d.every = []time.Duration{200 * time.Millisecond, time.Second, 2 * time.Second}[int(3*flip())]
	d.phase = time.Duration(float64(d.every) * (0.05 + 0.9*flip()))
	d.drop = []float64{0, 0.1, 0.2}[int(3*flip())]
	missing = names[int(float64(len(names))*flip())]
	d.without = removals[missing]
	return d, missing
}

// judge plays a random day and says what was seen wrongly, "" for nothing.
// Where no scan is lost the crank must be seen within two polls: one to see
// it, one to confirm it where a single signal shows it.
func judge(t testing.TB, seed uint64) string {
	d, missing := randomDay(seed)
	events, last := d.play(t, New(plant.HatcheryRating()))
	runs := Runs(events, last)
	cranks := find(events).cranks
	switch {
	case len(runs) != 1 || runs[0].Cranks != 2 || runs[0].Starts != 1 || runs[0].Stopped.IsZero():
	case d.drop == 0 && (len(cranks) != 2 || cranks[1] < crankAt || cranks[1] > crankAt+2*d.every):
	default:
		return ""
	}
	return fmt.Sprintf("plant %d every %s, %.0f %% lost, without %s:\n%s", seed, d.every, 100*d.drop, missing, tell(events, last))
}

func TestRandomDays(t *testing.T) {
	for seed := uint64(100); seed < 140; seed++ {
		if wrong := judge(t, seed); wrong != "" {
			t.Error(wrong)
		}
	}
}

// BenchmarkDays plays 200 random days and reports how many were seen wrongly.
func BenchmarkDays(b *testing.B) {
	wrong, days := 0, 0
	for b.Loop() {
		for seed := uint64(1000); seed < 1200; seed++ {
			days++
			if text := judge(b, seed); text != "" {
				wrong++
				b.Log(text)
			}
		}
	}
	b.ReportMetric(float64(wrong), "wrong-days")
	b.ReportMetric(float64(days), "days")
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
	e = New(plant.HatcheryRating())
	feed(e, 1, 0, 10, map[model.PointID]float64{model.BatteryVoltage: 12.6})
	if changes = feed(e, 1, 10*time.Second, 100, map[model.PointID]float64{model.BatteryVoltage: 13.8}); len(changes) != 0 {
		t.Errorf("charger switched on, battery alone: %+v", changes)
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

// One garbled sample of any signal changes nothing.
func TestOneSpikeIsNothing(t *testing.T) {
	pickup := map[model.PointID]float64{model.SpeedPoint: 25, model.OilPressure: 3e5, model.BatteryVoltage: 14.1}
	for _, calm := range []map[model.PointID]float64{atRest, running, pickup} {
		for id := range calm {
			for _, spike := range []float64{0, 7, 30, 6e5} {
				e := New(plant.HatcheryRating())
				before := feed(e, 1, 0, 20, calm)
				changes := feed(e, 1, 20*time.Second, 1, merge(calm, map[model.PointID]float64{id: spike}))
				changes = append(changes, feed(e, 1, 21*time.Second, 20, calm)...)
				if id == model.PowerActive {
					continue // load comes and goes at once
				}
				if len(before) != 1 || len(changes) != 0 {
					t.Errorf("%s once at %v after %v: %+v", id, spike, before[0].To, changes)
				}
			}
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
