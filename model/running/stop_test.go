package running

import (
	"math/rand/v2"
	"testing"
	"time"

	"tickover/model"
	"tickover/testdata/rundown"
)

// A stop is seen by the second reading of the meter that shows it: the speed
// below rated, or no voltage. At all polling phases, intervals and run-down
// times, with and without a pickup.
func TestAStopIsSeenWithinTwoReadings(t *testing.T) {
	random := rand.New(rand.NewPCG(16, 9))
	for _, pickup := range []bool{true, false} {
		for _, every := range []float64{0.25, 0.5, 1, 2} {
			late, rest, n := 0, 0, 0
			for phase := range 20 {
				for range 5 {
					s := rundown.Random(random)
					s.Pickup, s.Cut = pickup, 40
					n++
					if readings, stood := stopSeen(s, every, every*float64(phase)/20, every*random.Float64()); readings > 2 || !stood {
						late++
						if !stood {
							rest++
						}
						t.Logf("every %v s, pickup %v, phase %d: state left after %d readings, stood at last: %v; %+v", every, pickup, phase, readings, stood, *s)
					}
				}
			}
			if late > 0 {
				t.Errorf("every %v s, pickup %v: %d of %d stops seen late, %d never to the end", every, pickup, late, n, rest)
			}
		}
	}
}

// stopSeen returns after how many low readings of the meter the engine had left
// rated speed, and whether it stood at last.
func stopSeen(s *rundown.Set, every, phase, lag float64) (readings int, stood bool) {
	e := New(s.Rating())
	s.Poll(every, phase, lag, func(scan *model.Scan, t float64) {
		state, _ := e.Step(scan)
		if t > s.Cut && (state == model.Unloaded || state == model.Loaded) && scan.Group == "meter" &&
			(s.Speed(t) < ratedBelow-0.001 || s.Voltage(t) < liveVolts) {
			readings++
		}
		stood = state == model.Standstill
	})
	return readings + 1, stood
}

// A battery that sinks from its charged level does not show that the engine
// runs, although it is still above the charging limit; one that stays at a
// lower level does.
func TestASinkingBatteryIsNotCharged(t *testing.T) {
	f := newThresholds(model.Rating{Battery: 12})
	for _, c := range []struct {
		after float64 // s at the lower voltage
		volts float64
		want  bool
	}{{1, 14.02, true}, {1, 13.95, false}, {4, 13.95, false}, {7, 13.95, true}, {1, 13.5, false}, {60, 13.5, true}, {600, 13.3, false}} {
		b, in := battery{}, newInputs()
		read := func(at, v float64) {
			in.take(scanAt(1, seconds(at), map[model.PointID]float64{model.BatteryVoltage: v}))
			b.follow(&in, &f, model.Unloaded)
		}
		read(0, 14.2)
		for at := 1.0; at <= c.after; at++ {
			read(at, c.volts)
		}
		if b.charges() != c.want {
			t.Errorf("%v V for %v s after 14.2 V: charging %v, want %v", c.volts, c.after, b.charges(), c.want)
		}
	}
}

// The falling speed counts for 10 s after the voltage is gone, the fall of the oil
// pressure with it from 0.7 of what it was.
func TestTheFallCountsWhileTheVoltageIsGone(t *testing.T) {
	for _, c := range []struct {
		unseen time.Duration
		oil    float64
		falls  bool
		votes  int
	}{{time.Second, 2.2e5, true, 0}, {time.Second, 2e5, true, -1}, {9900 * time.Millisecond, 2e5, true, -1}, {10100 * time.Millisecond, 2e5, false, 0}} {
		e := New(model.Rating{})
		for at, rate := range []float64{1, 0.9, 0.8} {
			e.Step(scanAt(1, time.Duration(at)*time.Second, map[model.PointID]float64{model.FrequencyPoint: 50 * rate,
				model.VoltageL1N: 230 * rate, model.OilPressure: 3e5}))
		}
		e.inputs.take(scanAt(1, 2*time.Second+c.unseen, map[model.PointID]float64{model.FrequencyPoint: 0, model.VoltageL1N: 0, model.OilPressure: c.oil}))
		v := e.look()
		votes := 0
		for _, one := range v.firing {
			if one.point == model.OilPressure {
				votes += one.weight
			}
		}
		if falls := e.pace.sinking(&v) && e.pace.falling(); falls != c.falls || votes != c.votes {
			t.Errorf("%s after, oil %v Pa: falls %v, want %v; oil votes %d, want %d", c.unseen, c.oil, falls, c.falls, votes, c.votes)
		}
	}
}

// Excitation that trips at rated speed is no stop: the speed did not fall, and the
// oil pressure holds.
func TestALostFieldIsNoStop(t *testing.T) {
	e := New(model.Rating{Battery: 12})
	at := map[model.PointID]float64{model.FrequencyPoint: 50, model.VoltageL1N: 230, model.OilPressure: 3e5, model.BatteryVoltage: 14.1}
	feed(e, 1, 0, 20, at)
	dark := merge(at, map[model.PointID]float64{model.FrequencyPoint: 0, model.VoltageL1N: 3})
	if changes := feed(e, 1, 20*time.Second, 60, dark); len(changes) > 0 {
		t.Errorf("the field tripped: %+v", changes)
	}
}

// An engine that leaves rated speed did so when its speed began to fall, not when
// that was voted: to within the readings on both sides of it.
func TestAStopIsDatedWhereTheSpeedBeganToFall(t *testing.T) {
	random, dated := rand.New(rand.NewPCG(16, 10)), 0
	for _, every := range []float64{0.25, 0.5, 1, 2} {
		for phase := range 20 {
			s := rundown.Random(random)
			s.Cut = 40
			e := New(s.Rating())
			s.Poll(every, every*float64(phase)/20, every*random.Float64(), func(scan *model.Scan, _ float64) {
				_, change := e.Step(scan)
				if change == nil || !change.From.AtRatedSpeed() || change.To == model.Standstill {
					return
				}
				dated++
				if begun, slack := scan.At.Add(-change.Lag).Offset.Seconds()-s.Cut, max(every, 0.6); begun < -slack || begun > slack {
					t.Errorf("every %v s, phase %d: dated %.2f s after the fuel was cut, %+v", every, phase, begun, *s)
				}
			})
		}
	}
	if dated < 70 {
		t.Errorf("%d of 80 stops left rated speed by a fall", dated)
	}
}
