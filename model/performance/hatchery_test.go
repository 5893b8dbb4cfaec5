package performance

import (
	"fmt"
	"iter"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tickover/model"
	"tickover/model/electrical"
	"tickover/model/plant"
	"tickover/model/running"
	"tickover/testdata/golden"
)

func instant(s float64) model.Instant {
	return model.Instant{Boot: 1, Offset: time.Duration(s * 1e9)}
}

// dayStates are the hatchery day's engine states as its script made them, each
// with the s at which it began. They are written down here so that the
// recorded text tells of this room alone.
var dayStates = []struct {
	state model.EngineState
	from  float64
}{
	{model.Standstill, 114}, {model.Cranking, 124.5}, {model.Standstill, 134}, {model.Cranking, 257}, {model.RunningUp, 260.5},
	{model.Idling, 263.5}, {model.Unloaded, 351.5}, {model.Loaded, 570.5}, {model.Unloaded, 840.5}, {model.Loaded, 930.5},
	{model.Unloaded, 1200.5}, {model.Loaded, 1290.5}, {model.Unloaded, 4890.5}, {model.RunningDown, 5192.5}, {model.Standstill, 5202},
}

// day is the hatchery's test day.
func day(change func(*model.Scan)) Input {
	run := model.Run{ID: "1", Started: instant(114), Ended: instant(7002), Cranked: instant(124.5), Stopped: instant(5202), Cranks: 2, Starts: 1,
		Running: 4932 * time.Second, Loaded: 4140 * time.Second}
	for i, s := range dayStates {
		span := model.StateSpan{State: s.state, From: instant(s.from), To: run.Ended}
		if i+1 < len(dayStates) {
			span.To = instant(dayStates[i+1].from)
		}
		run.States = append(run.States, span)
	}
	r := plant.HatcheryRating()
	return Input{Run: run, Rating: r, Scans: dayScans(r, change), Simulated: true}
}

// voted is the run that the engine's own vote cuts out of the day.
func voted() model.Run {
	engine := running.New(plant.HatcheryRating())
	var events []model.Event
	var last model.Instant
	for scan := range dayScans(plant.HatcheryRating(), nil) {
		if _, change := engine.Step(scan); change != nil {
			events = append(events, model.Event{At: scan.At, Kind: model.EngineEvent, Engine: change})
		}
		last = scan.At
	}
	return running.Runs(events, last)[0]
}

// The states that the readings vote for serve as well as the script's.
func TestVotedStates(t *testing.T) {
	in := day(nil)
	in.Run = voted()
	rec := record(t, in)
	if len(rec.Steps) != 10 || len(rec.FirstStart) != 2 || rec.FirstStart[0].Started || !rec.FirstStart[1].Started {
		t.Errorf("%d steps, starts %+v", len(rec.Steps), rec.FirstStart)
	}
}

// played keeps the simulated day, which takes longer to simulate than to
// analyse; callers get copies of its scans.
var played = sync.OnceValue(func() []*model.Scan { return slices.Collect(play(time.Second, plant.HatcheryRating())) })

func dayScans(r model.Rating, change func(*model.Scan)) iter.Seq2[*model.Scan, error] {
	return func(yield func(*model.Scan, error) bool) {
		for _, kept := range played() {
			scan := &model.Scan{Group: kept.Group, At: kept.At, Samples: slices.Clone(kept.Samples)}
			if change != nil {
				change(scan)
			}
			scan.Measured = len(scan.Samples)
			electrical.Derive(r, electrical.VoltageGain(nil, r), scan)
			if !yield(scan, nil) {
				return
			}
		}
	}
}

// play simulates the day; meter and engine are read by turns.
func play(interval time.Duration, r model.Rating) iter.Seq[*model.Scan] {
	return func(yield func(*model.Scan) bool) {
		p := plant.New(7, r)
		script, length := plant.HatcheryDay()
		player := plant.NewPlayer(p, script, length, false)
		meter, engine := groups()
		for !player.Done() {
			for i, points := range [][]model.PointID{meter, engine} {
				player.Advance(interval / 2)
				name := [2]string{"meter/1s", "engine/1s"}[i]
				if !yield(&model.Scan{Group: name, At: model.Instant{Boot: 1, Offset: p.Now()}, Samples: look(p, points)}) {
					return
				}
			}
		}
	}
}

func look(p *plant.Plant, points []model.PointID) (samples []model.Sample) {
	for _, id := range points {
		s := model.BadSample(id, model.NoAnswer)
		if v, ok := p.Value(id); ok {
			s = model.GoodSample(id, v)
		}
		samples = append(samples, s)
	}
	return samples
}

func groups() (meter, engine []model.PointID) {
	meter = []model.PointID{model.FrequencyPoint, model.PowerActive, model.EnergyActive}
	for k := range 3 {
		meter = append(meter, model.PhaseVoltages[k], model.LineVoltages[k], model.PhaseCurrents[k], model.PhaseActive[k], model.PhasePowerFactor[k])
	}
	return meter, []model.PointID{model.OilPressure, model.CoolantTemperature, model.BatteryVoltage, model.AmbientTemperature}
}

// write renders a record as people would check it.
func write(rec *model.RunRecord) string {
	var b strings.Builder
	line := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	line("judged by %s", rec.Class)
	for _, s := range rec.Run.States {
		line("%s from %s", s.State, s.From)
	}
	for _, f := range rec.Findings {
		line("finding: %s", f)
	}
	for _, f := range rec.NotTested {
		line("open: %s", f)
	}
	for _, s := range rec.FirstStart {
		line("crank at %s, started %v", s.At, s.Started)
		figures(line, s.Figures)
	}
	for _, s := range rec.Steps {
		line("step at %s on %s from %.0f W to %.0f W, f %.2f to %.2f Hz", s.At, s.Phases, s.From, s.To, s.Before[model.FrequencyPoint], s.After[model.FrequencyPoint])
		figures(line, s.Figures)
	}
	for _, s := range rec.Steady {
		f := s.Points[model.FrequencyPoint]
		line("steady %s to %s: %.0f W, f %.3f Hz (%.2f to %.2f)", s.From, s.To, s.Load, f.Mean, f.Min, f.Max)
	}
	line("figures")
	figures(line, rec.Figures)
	for _, s := range rec.Soak {
		line("log %s over %s: %.1f kW %.2f Hz coolant %.1f °C oil %.2f bar", s.At, s.Over, s.Values[model.PowerActive]/1000,
			s.Values[model.FrequencyPoint], s.Values[model.CoolantTemperature], s.Values[model.OilPressure]/1e5)
	}
	return b.String()
}

func figures(line func(string, ...any), list []model.Figure) {
	for _, f := range list {
		value := "not known"
		switch {
		case f.Known && f.Bound == model.Interval:
			value = fmt.Sprintf("%.2f .. %.2f %s", f.Low, f.High, f.Unit)
		case f.Known && f.Bound == model.AtLeast:
			value = fmt.Sprintf("at least %.2f %s", f.Value, f.Unit)
		case f.Known && f.Bound == model.AtMost:
			value = fmt.Sprintf("%.2f %s or lower", f.Value, f.Unit)
		case f.Known:
			value = fmt.Sprintf("%.2f ± %.2f %s", f.Value, f.Uncertainty, f.Unit)
		}
		line("  %-40s %-24s %-8s %-14s %s", f.Name, value, f.Limit, f.Verdict, strings.TrimSpace(f.Reason+" | "+f.Note))
	}
}

func record(t testing.TB, in Input) *model.RunRecord {
	t.Helper()
	rec, err := Record(in)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

// The simulated test day at one reading a second. The expected text is
// recorded with -update and read by a person.
func TestHatcheryDay(t *testing.T) {
	rec := record(t, day(nil))
	golden.Holds(t, "../../testdata/performance/hatchery_day.txt", write(rec))
	phases := []string{}
	for _, s := range rec.Steps {
		phases = append(phases, s.Phases)
	}
	all := "L1 L2 L3"
	want := []string{"L1", "L1", "L1", "L1", all, all, all, all, all, all}
	if !slices.Equal(phases, want) {
		t.Errorf("steps on %q, want %q", phases, want)
	}
}
