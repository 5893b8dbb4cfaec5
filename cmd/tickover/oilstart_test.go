package main_test

import (
	"testing"
	"time"

	"tickover/model"
	"tickover/model/plant"
)

// An engine that comes to self-sustained speed without oil pressure is told of
// as critical within 12 s, however the polls fall against the start. The time
// counts from the last poll that still found the engine no faster than a
// starter turns it, so the wait for the next poll is in it. Lost rounds, and a
// set whose speed shows only once its own meter has woken, may take 3 s more.
func TestAStartWithoutOilPressureIsTold(t *testing.T) {
	t.Parallel()
	const within, hampered = 12 * time.Second, 15 * time.Second
	var slowest, slowestHampered time.Duration
	for seed := uint64(1); seed <= 40; seed++ {
		d := &alarmDay{seed: seed, phase: time.Duration(1+seed*191%998) * time.Millisecond, drop: float64(seed%3) * 0.05,
			selfFed: seed%4 == 0, length: 2 * time.Minute, fault: func(p *plant.Plant) { p.OilLoss(true) }}
		if seed%5 == 0 {
			d.without = []model.PointID{model.SpeedPoint} // the frequency must tell of the speed
		}
		d.script, _ = plant.LiveLoop()
		d.script = delayed(d.script, time.Minute+time.Duration(seed*137%1000)*time.Millisecond)
		events := d.play()
		from, told := d.turning, toldAt(events, "oil.pressure.missing")
		if from == 0 || told == 0 {
			t.Errorf("seed %d: by itself from %s, told at %s; told: %s", seed, from, told, words(raised(events)))
			continue
		}
		took, bound, worst := told-from, within, &slowest
		if d.drop > 0 || d.selfFed && d.without != nil {
			bound, worst = hampered, &slowestHampered
		}
		if took <= 0 || took > bound {
			t.Errorf("seed %d (%.0f %% lost): told %s after self-sustained speed, want within %s", seed, d.drop*100, took, bound)
		}
		*worst = max(*worst, took)
	}
	t.Logf("the slowest was told of after %s, with lost rounds or no speed after %s", slowest, slowestHampered)
	if slowest == 0 || slowestHampered == 0 {
		t.Error("one kind of start was never played")
	}
}

// delayed moves a script, all but its first action, which sets the plant up.
func delayed(script []plant.Action, by time.Duration) []plant.Action {
	for i := range script {
		if i > 0 {
			script[i].At += by
		}
	}
	return script
}

// toldAt is when a critical alarm was first raised; 0 means never.
func toldAt(events []model.AlarmEvent, rule string) time.Duration {
	for _, e := range raised(events) {
		if e.Rule == rule && e.Priority == model.Critical {
			return e.At.Offset
		}
	}
	return 0
}
