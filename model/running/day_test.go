package running

import (
	"slices"
	"testing"
	"time"

	"tickover/model"
	"tickover/model/plant"
)

// day is one simulated day polled as a daemon would: an adapter with the
// engine's signals and a meter, each on its own interval.
type day struct {
	seed    uint64
	script  []plant.Action
	length  time.Duration
	every   time.Duration // of both groups
	phase   time.Duration // of the meter behind the adapter
	prepare func(*plant.Plant)
	without []model.PointID
	drop    float64 // share of scans that fail as a whole
	boot    uint32
	turned  *[]turn // where to note when the engine really turned; nil means nowhere
}

// turn is a stretch in which the engine really turned.
type turn struct{ from, to time.Duration }

// plantStep is how finely the true turning is followed.
const plantStep = 50 * time.Millisecond

// watch lets time pass on the plant in small steps and notes when it turned.
func (d day) watch(player *plant.Player, p *plant.Plant, wait time.Duration) {
	if d.turned == nil {
		player.Advance(wait)
		return
	}
	for wait > 0 {
		step := min(wait, plantStep)
		player.Advance(step)
		wait -= step
		list := *d.turned
		switch speed, _ := p.Value(model.SpeedPoint); {
		case speed > 0.1 && (len(list) == 0 || list[len(list)-1].to != 0):
			*d.turned = append(list, turn{from: p.Now()})
		case speed <= 0.1 && len(list) > 0 && list[len(list)-1].to == 0:
			list[len(list)-1].to = p.Now()
		}
	}
}

func hatchery(seed uint64) day {
	script, length := plant.HatcheryDay()
	return day{seed: seed, script: script, length: length, every: time.Second, phase: 300 * time.Millisecond, boot: 1}
}

// brief is the hatchery's day with three minutes of soak and a shorter end.
func brief(seed uint64) day {
	d := hatchery(seed)
	d.length = 1700 * time.Second
	d.script = append(slices.Clone(d.script[:17]),
		plant.Action{At: 1500 * time.Second, Text: "key off", Do: func(p *plant.Plant) { p.Key(false) }})
	return d
}

var adapter = []model.PointID{
	model.OilPressure, model.CoolantTemperature, model.BatteryVoltage, model.SpeedPoint, model.ChargeLamp, model.KeyOn,
}

var meter = []model.PointID{
	model.VoltageL1N, model.VoltageL2N, model.VoltageL3N, model.VoltageL12, model.VoltageL23, model.VoltageL31,
	model.CurrentL1, model.CurrentL2, model.CurrentL3, model.FrequencyPoint, model.PowerActive,
}

// digits are the usual registers' steps, canonical units.
var digits = map[model.PointID]float64{
	model.OilPressure: 1000, model.BatteryVoltage: 0.01, model.SpeedPoint: 1. / 60, model.FrequencyPoint: 0.01, model.PowerActive: 10,
}

// play carries the day out and returns the engine's changes as events.
func (d day) play(t testing.TB, e *Engine) (events []model.Event, last model.Instant) {
	t.Helper()
	p := plant.New(d.seed, plant.HatcheryRating())
	if d.prepare != nil {
		d.prepare(p)
	}
	player := plant.NewPlayer(p, d.script, d.length, false)
	flip := dice(d.seed)
	player.Advance(500 * time.Millisecond)
	for !player.Done() {
		for _, g := range []struct {
			name   string
			points []model.PointID
			wait   time.Duration
		}{{"adapter", adapter, d.phase}, {"meter", meter, d.every - d.phase}} {
			last = model.Instant{Boot: d.boot, Offset: p.Now()}
			scan := d.read(p, g.name, g.points, last, flip() < d.drop)
			if _, change := e.Step(scan); change != nil {
				events = append(events, model.Event{Seq: uint64(len(events) + 1), At: last, Kind: model.EngineEvent, Engine: change})
			}
			d.watch(player, p, g.wait)
		}
	}
	return events, last
}

func (d day) read(p *plant.Plant, group string, points []model.PointID, at model.Instant, failed bool) *model.Scan {
	scan := &model.Scan{Group: group, At: at}
	for _, id := range points {
		if slices.Contains(d.without, id) {
			continue
		}
		v, ok := p.Value(id)
		if ok && !failed {
			scan.Samples = append(scan.Samples, model.GoodSample(id, round(v, digits[id])))
		} else {
			scan.Samples = append(scan.Samples, model.BadSample(id, model.NoAnswer))
		}
	}
	scan.Measured = len(scan.Samples)
	return scan
}

func round(v, digit float64) float64 {
	if digit == 0 {
		digit = 0.1
	}
	n := v / digit
	return float64(int64(n+0.5)) * digit
}

// dice gives numbers in 0..1, the same for the same start.
func dice(x uint64) func() float64 {
	return func() float64 {
		x = x*6364136223846793005 + 1442695040888963407
		return float64(x>>11) / (1 << 53)
	}
}

// moments are the cranks, starts and standstills among events: cranks and
// standstills from when their evidence began, starts from when they were voted.
type moments struct{ cranks, starts, stops []time.Duration }

func find(events []model.Event) (m moments) {
	for _, e := range events {
		from, to := e.Engine.From, e.Engine.To
		begun := e.At.Add(-e.Engine.Lag).Offset
		switch {
		case to == model.Cranking:
			m.cranks = append(m.cranks, begun)
		case to == model.RunningUp && from != model.RunningDown:
			m.starts = append(m.starts, e.At.Offset)
		case to == model.Standstill && from.Turning():
			m.stops = append(m.stops, begun)
		}
	}
	return m
}
