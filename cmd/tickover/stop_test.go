package main_test

import (
	"math/rand/v2"
	"testing"

	"tickover/alarms"
	"tickover/model"
	"tickover/model/electrical"
	"tickover/model/running"
	"tickover/testdata/rundown"
)

// A normal stop from no load raises no alarm, at any polling phase and interval,
// with and without a pickup, however soon the set comes to rest.
func TestANormalStopRaisesNoAlarm(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(16, 9))
	for _, pickup := range []bool{true, false} {
		for _, every := range []float64{0.25, 0.5, 1, 2} {
			bad := 0
			for phase := range 20 {
				for range 3 {
					s := rundown.Random(random)
					s.Pickup = pickup
					raised := stopAlarms(s, every, every*float64(phase)/20, every*random.Float64())
					if len(raised) > 0 {
						bad++
						t.Logf("every %v s, pickup %v, phase %d/20, %+v:\n%s", every, pickup, phase, *s, raised)
					}
				}
			}
			if bad > 0 {
				t.Errorf("every %v s, pickup %v: %d of 60 stops raise an alarm", every, pickup, bad)
			}
		}
	}
}

// stopAlarms plays a run and its stop through derivation, engine state and the
// standard rules, and returns the warnings and critical alarms raised.
func stopAlarms(s *rundown.Set, every, phase, lag float64) (list []string) {
	r := s.Rating()
	engine, machine := running.New(r), alarms.New(alarms.Standard(r, s.Points(), nil))
	s.Poll(every, phase, lag, func(scan *model.Scan, _ float64) {
		electrical.Derive(r, electrical.VoltageGain(nil, r), scan)
		engine.Derive(scan)
		for _, e := range raised(machine.Step(scan)) {
			if e.Priority != model.Information {
				list = append(list, e.At.String()+" "+e.Words())
			}
		}
	})
	return list
}
