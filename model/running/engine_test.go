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
	for seed := uint64(1); seed <= 1; seed++ {
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

// seen is what came of playing one random day.
type seen struct {
	wrong      string // what was seen wrongly, "" for nothing
	boundaries int    // of turning and standstill that were judged
	off        int    // boundaries more than one poll off
}

// judge plays a random day. Where no scan is lost, each boundary between
// turning and standing must lie within one poll of when the shaft really
// began or ceased to turn. Without the pickup nothing shows the rest itself:
// oil pressure and voltage fall away within a second of it.
func judge(t testing.TB, seed uint64) (s seen) {
	d, missing := randomDay(seed)
	d.turned = &[]turn{}
	events, last := d.play(t, New(plant.HatcheryRating()))
	runs := Runs(events, last)
	m := find(events)
	if len(runs) != 1 || runs[0].Cranks != 2 || runs[0].Starts != 1 || runs[0].Stopped.IsZero() {
		s.wrong = "runs"
	}
	if d.drop == 0 && len(m.cranks) == len(*d.turned) && len(m.stops) == len(*d.turned) {
		for i, real := range *d.turned {
			begin, stop := m.cranks[i]-real.from, m.stops[i]-real.to
			s.boundaries += 2
			within := d.every
			if missing == "speed" {
				within = max(within, time.Second)
			}
			if begin.Abs() > d.every+plantStep {
				s.off++
			}
			if stop.Abs() > within+plantStep {
				s.off++
			}
		}
	} else if d.drop == 0 {
		s.wrong = "boundaries"
	}
	if s.wrong != "" || s.off > 0 {
		s.wrong = fmt.Sprintf("%s plant %d every %s, %.0f %% lost, without %s, %d boundaries off, really %v:\n%s", s.wrong, seed, d.every, 100*d.drop, missing, s.off, *d.turned, tell(events, last))
	}
	return s
}

func TestRandomDays(t *testing.T) {
	for seed := uint64(100); seed < 116; seed++ {
		if s := judge(t, seed); s.wrong != "" {
			t.Error(s.wrong)
		}
	}
}

// BenchmarkDays plays 200 random days, reports how many were seen wrongly and
// how many boundaries were more than one poll off, and fails for any.
func BenchmarkDays(b *testing.B) {
	wrong, days, boundaries, off := 0, 0, 0, 0
	for b.Loop() {
		for seed := uint64(1000); seed < 1200; seed++ {
			days++
			s := judge(b, seed)
			boundaries, off = boundaries+s.boundaries, off+s.off
			if s.wrong != "" {
				wrong++
				b.Log(s.wrong)
			}
		}
	}
	b.ReportMetric(float64(wrong), "wrong-days")
	b.ReportMetric(float64(days), "days")
	b.ReportMetric(float64(boundaries), "boundaries")
	b.ReportMetric(float64(off), "boundaries-off")
	if wrong > 0 || boundaries == 0 {
		b.Fail()
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

// The speed lever goes down while the key stays on: the engine idles, it does
// not run down.
func TestSpeedLeverDownIsNoStop(t *testing.T) {
	d := brief(5)
	d.script = append(slices.Clone(d.script[:8]),
		plant.Action{At: 500 * time.Second, Text: "lever down", Do: func(p *plant.Plant) { p.SetThrottle(0) }},
		plant.Action{At: 600 * time.Second, Text: "lever up", Do: func(p *plant.Plant) { p.SetThrottle(1) }},
		plant.Action{At: 700 * time.Second, Text: "key off", Do: func(p *plant.Plant) { p.Key(false) }})
	d.length = 760 * time.Second
	events, last := d.play(t, New(plant.HatcheryRating()))
	var states []model.EngineState
	for _, e := range events {
		if e.At.Offset > 450*time.Second {
			states = append(states, e.Engine.To)
		}
	}
	want := []model.EngineState{model.Idling, model.Unloaded, model.RunningDown, model.Standstill}
	if !slices.Equal(states, want) {
		t.Errorf("states %v, want %v\n%s", states, want, tell(events, last))
	}
}

// Without a pickup an engine that fires shows neither oil nor voltage at once: the
// crank is over when that lasts for 2 s, and then ended where it began.
func TestACrankIsNotOverBeforeTheEngineCanShow(t *testing.T) {
	for _, c := range []struct {
		silent int // half seconds
		want   []model.EngineState
	}{{3, []model.EngineState{model.Cranking, model.RunningUp}}, {5, []model.EngineState{model.Cranking, model.Standstill, model.RunningUp}}} {
		e, at := New(plant.HatcheryRating()), time.Duration(0)
		var got []model.EngineState
		play := func(n int, values map[model.PointID]float64) {
			for range n {
				if _, change := e.Step(scanAt(1, at, values)); change != nil && change.From != model.EngineUnknown {
					got = append(got, change.To)
					if change.To == model.Standstill && change.Lag != catchTime {
						t.Errorf("the standstill is dated %s back, want %s", change.Lag, catchTime)
					}
				}
				at += 500 * time.Millisecond
			}
		}
		dark := map[model.PointID]float64{model.VoltageL1N: 0, model.OilPressure: 0, model.BatteryVoltage: 12.6}
		play(20, dark)
		play(6, merge(dark, map[model.PointID]float64{model.BatteryVoltage: 10}))
		play(c.silent, dark)
		play(4, map[model.PointID]float64{model.VoltageL1N: 120, model.FrequencyPoint: 30, model.OilPressure: 1e5, model.BatteryVoltage: 12.9})
		if !slices.Equal(got, c.want) {
			t.Errorf("after %d silent readings: %v, want %v", c.silent, got, c.want)
		}
	}
}

// A set with reversed current transformers carries load all the same.
func TestLoadIsSeenWhicheverWayItCounts(t *testing.T) {
	for name, watts := range map[string]map[model.PointID]float64{
		"all reversed":          {model.PowerActive: -20e3},
		"one of two reversed":   {model.PowerActive: 0, model.PowerActiveL1: 9e3, model.PowerActiveL2: -9e3, model.PowerActiveL3: 0},
		"phases only, reversed": {model.PowerActiveL1: -9e3, model.PowerActiveL2: 9e3, model.PowerActiveL3: 0},
	} {
		scan := func(second int) *model.Scan {
			s := scanAt(1, time.Duration(second)*time.Second, map[model.PointID]float64{model.FrequencyPoint: 50, model.VoltageL1N: 230, model.OilPressure: 3e5})
			for id, w := range watts {
				s.Samples = append(s.Samples, model.GoodSample(id, w))
			}
			return s
		}
		e := New(plant.HatcheryRating())
		state := model.EngineUnknown
		for second := range 10 {
			state, _ = e.Step(scan(second))
		}
		if state != model.Loaded {
			t.Errorf("%s: %s", name, state)
		}
	}
}
