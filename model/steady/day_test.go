package steady

import (
	"iter"
	"slices"
	"time"

	"tickover/model"
	"tickover/model/plant"
)

func instant(s float64) model.Instant {
	return model.Instant{Boot: 1, Offset: time.Duration(s * 1e9)}
}

// dayStates are the engine states of the hatchery day as its script makes them, each with
// the s at which it begins. They are written down here so that the recorded text depends on
// this room alone.
var dayStates = []struct {
	state model.EngineState
	from  float64
}{
	{model.Standstill, 114}, {model.Cranking, 124.5}, {model.Standstill, 134},
	{model.Cranking, 257}, {model.RunningUp, 260.5}, {model.Idling, 263.5},
	{model.Unloaded, 351.5}, {model.Loaded, 570.5}, {model.Unloaded, 840.5},
	{model.Loaded, 930.5}, {model.Unloaded, 1200.5}, {model.Loaded, 1290.5},
	{model.Unloaded, 4890.5}, {model.RunningDown, 5192.5}, {model.Standstill, 5202},
}

// dayScans plays the hatchery day; meter and engine are read by turns, once a second each.
func dayScans() iter.Seq[*model.Scan] {
	meter := slices.Concat(
		[]model.PointID{model.FrequencyPoint, model.PowerActive},
		model.PhaseVoltages[:], model.LineVoltages[:])
	engine := []model.PointID{model.OilPressure, model.CoolantTemperature}
	return func(yield func(*model.Scan) bool) {
		p := plant.New(7, plant.HatcheryRating())
		script, length := plant.HatcheryDay()
		player := plant.NewPlayer(p, script, length, false)
		for !player.Done() {
			for _, points := range [][]model.PointID{meter, engine} {
				player.Advance(500 * time.Millisecond)
				scan := &model.Scan{At: model.Instant{Boot: 1, Offset: p.Now()}}
				for _, id := range points {
					sample := model.BadSample(id, model.NoAnswer)
					if v, ok := p.Value(id); ok {
						sample = model.GoodSample(id, v)
					}
					scan.Samples = append(scan.Samples, sample)
				}
				if !yield(scan) {
					return
				}
			}
		}
	}
}
