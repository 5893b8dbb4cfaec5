package main_test

import (
	"testing"
	"time"

	"tickover/model"
	"tickover/model/plant"
)

// An engine that comes to self-sustained speed without oil pressure is told of
// as critical within 12 s, however the polls fall against the start, with 5 and
// 10 % of the rounds lost, and where only a meter that has yet to wake on the
// set's own voltage can show the speed. The time counts from the last poll that
// still found the engine no faster than a starter turns it, so the wait for the
// next poll is in it. Of 3000 such starts 4 took longer, all at 10 %: four of
// five rounds in a row were lost when it was to be told.
func TestAStartWithoutOilPressureIsTold(t *testing.T) {
	t.Parallel()
	const within = 12 * time.Second
	slowest := map[bool]time.Duration{}
	for seed := uint64(1); seed <= 40; seed++ {
		d := &alarmDay{seed: seed, phase: time.Duration(1+seed*191%998) * time.Millisecond, drop: float64(seed%3) * 0.05,
			selfFed: seed%4 == 0, length: 100 * time.Second, fault: func(p *plant.Plant) { p.OilLoss(true) }}
		if seed%5 == 0 {
			d.without = []model.PointID{model.SpeedPoint} // the frequency must tell of the speed
		}
		d.script, _ = plant.LiveLoop()
		d.script = delayed(d.script, time.Minute+time.Duration(seed*137%1000)*time.Millisecond)
		events := d.play()
		from, told := d.turning, toldAt(events, "oil.pressure.missing")
		took, hampered := told-from, d.drop > 0 || d.selfFed && d.without != nil
		if from == 0 || took <= 0 || took > within {
			t.Errorf("seed %d (%.0f %% lost, own meter %v, without %v): by itself from %s, told %s later, want within %s; told: %s",
				seed, d.drop*100, d.selfFed, d.without, from, took, within, words(raised(events)))
		}
		slowest[hampered] = max(slowest[hampered], took)
	}
	t.Logf("the slowest was told of after %s, with lost rounds or no speed after %s", slowest[false], slowest[true])
	if len(slowest) != 2 {
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
