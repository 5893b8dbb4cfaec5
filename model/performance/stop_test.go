package performance

import (
	"math"
	"math/rand/v2"
	"testing"

	"tickover/model"
	"tickover/model/running"
	"tickover/testdata/rundown"
)

// votedInput is what the readings of a stopped set and the engine's own vote give.
func votedInput(s *rundown.Set, every, phase, lag float64) Input {
	engine := running.New(s.Rating())
	var events []model.Event
	var scans []*model.Scan
	s.Poll(every, phase, lag, func(scan *model.Scan, _ float64) {
		if _, change := engine.Step(scan); change != nil {
			events = append(events, model.Event{At: scan.At, Kind: model.EngineEvent, Engine: change})
		}
		scans = append(scans, scan)
	})
	run := running.Runs(events, scans[len(scans)-1].At)[0]
	return Input{Run: run, Rating: s.Rating(), Events: events, Scans: func(yield func(*model.Scan, error) bool) {
		for _, scan := range scans {
			if !yield(scan, nil) {
				return
			}
		}
	}}
}

// The readings of a stop are no part of the last steady span and of the last
// step: droop, band and recovery are those of the set, whatever the run-down.
func TestAStopEndsTheLastSpanAtRatedSpeed(t *testing.T) {
	random := rand.New(rand.NewPCG(16, 10))
	wrong, decided := 0, 0
	for _, every := range []float64{0.25, 0.5, 1, 2, 3, 5} {
		for n := range 100 {
			phase := n % 20
			s := rundown.Random(random)
			s.Droop, s.NoLoad, s.Pickup = 0.04, 1.04, random.IntN(2) == 0
			s.Lasts = 2.5 + 20*random.Float64()
			s.Loads, s.Cut = []rundown.Load{{At: -10, Share: 1}, {At: 100}}, 100+35+45*random.Float64()
			in := votedInput(s, every, every*float64(phase)/20, every*random.Float64())
			r := pass(in)
			j := r.judge()
			const g1 = 0
			for k, truth := range map[key]float64{droop: 4, band: 0, frequencyRecoveryOff: rundown.GovernorLag * math.Log(4/1.75), differenceOff: 4} {
				m := j.of(k, g1)
				v, why := j.verdict(k, g1)
				if v == model.Outside || m.known && (truth < m.lo-1e-9 || truth > m.hi+1e-9) {
					wrong++
					t.Errorf("every %v s, phase %d, %+v: %s is %v (%v to %v), really %.3f: %v %s", every, phase, *s, subjects[k].name, m.value, m.lo, m.hi, truth, v, why)
				}
				if v == model.Within {
					decided++
				}
			}
		}
	}
	if wrong > 0 || decided < 1000 {
		t.Errorf("%d figures exclude the truth, %d of 2000 are decided", wrong, decided)
	}
}

// The guard before a stop is 5 s, and three readings where they come slower.
func TestStopGuard(t *testing.T) {
	for every, want := range map[float64]float64{0.5: 5, 1: 5, 2: 6, 5: 15} {
		b := newTracks(model.Rating{}, nil)
		for at := range 10 {
			b.post(&model.Scan{At: instant(1 + every*float64(at)), Samples: []model.Sample{model.GoodSample(model.FrequencyPoint, 50)}})
		}
		if got := b.stopGuard(); math.Abs(got-want) > 1e-6 {
			t.Errorf("read every %v s the guard is %v s, want %v s", every, got, want)
		}
	}
}
