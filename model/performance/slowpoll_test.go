package performance

import (
	"math"
	"math/rand/v2"
	"testing"

	"tickover/model"
	"tickover/testdata/rundown"
)

// Read every 3 to 10 s, load steps of any size 2 to 60 s apart give no wrong verdict
// and no steady span that mixes loads: what such readings cannot show is not
// determined. The truth of each step: the speed answers with a lag of 0.3 s and goes
// no further than its droop, the voltage holds.
func TestSlowReadingsGiveNoWrongVerdict(t *testing.T) {
	random := rand.New(rand.NewPCG(16, 13))
	wrong, spans, steps := 0, 0, 0
	for n := range 400 {
		s := rundown.Random(random)
		s.Droop, s.NoLoad = 0.04, 1.04
		for at := 20 + 10*random.Float64(); at < 280; at += []float64{2, 6, 20, 40}[random.IntN(4)] + 20*random.Float64() {
			s.Loads = append(s.Loads, rundown.Load{At: at, Share: float64(random.IntN(11)) / 10})
		}
		s.Cut = s.Loads[len(s.Loads)-1].At + 70
		s.Loads = append(s.Loads, rundown.Load{At: s.Cut - 40})
		every := []float64{1, 3, 5, 10}[n%4]
		r := pass(votedInput(s, every, every*random.Float64(), every*random.Float64()))
		for _, span := range r.steady.found {
			spans++
			from, to := span.From.Offset.Seconds(), span.To.Offset.Seconds()
			for i := 1; i < len(s.Loads); i++ {
				if i+1 < len(s.Loads) && s.Loads[i+1].At-s.Loads[i].At < every || s.Loads[i].At-s.Loads[i-1].At < every {
					continue // no reading may have shown it
				}
				if l := s.Loads[i]; l.At > from+0.001 && l.At < to-0.001 && math.Abs(l.Share-s.Loads[i-1].Share) > 0.05 {
					wrong++
					t.Logf("every %v s: the steady span %.1f to %.1f s holds a step of %.1f at %.1f s", every, from, to, l.Share-s.Loads[i-1].Share, l.At)
				}
			}
		}
		for _, step := range r.steps {
			steps++
			for k, most := range map[key]float64{frequencyRecoveryOn: 2, frequencyRecoveryOff: 2, voltageRecoveryOn: 0.1, voltageRecoveryOff: 0.1,
				differenceOn: 4.05, differenceOff: 4.05, deviationOn: 0.05, voltageDip: 0.2, voltageRise: 0.2} {
				for i, m := range step.per[k] {
					if m.known && m.lo > most {
						wrong++
						t.Logf("every %v s: step at %.1f s: %s at least %.2f for set %d, really at most %.2f", every, step.step.At.Offset.Seconds(), subjects[k].name, m.lo, i, most)
					}
				}
			}
		}
		j := r.judge()
		for k, truth := range map[key]float64{droop: 4, band: 0} {
			if m := j.of(k, 0); m.known && (m.lo > truth+1e-6 || m.hi < truth-1e-6) {
				wrong++
				t.Logf("every %v s: %s %.2f to %.2f, really %v", every, subjects[k].name, m.lo, m.hi, truth)
			}
		}
	}
	if wrong > 0 || spans < 500 || steps < 1000 {
		t.Errorf("%d wrong of %d spans and %d steps", wrong, spans, steps)
	}
}

// A meter read every 10 s shows a load step late: what a fast adapter read since the
// meter's last reading before it is no part of the span.
func TestASpanWaitsForTheSlowMeter(t *testing.T) {
	in := Input{Rating: model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50}}
	in.Run = model.Run{ID: "1", Started: instant(0), States: []model.StateSpan{{State: model.Loaded, From: instant(0), To: instant(400)}}}
	in.Scans = func(yield func(*model.Scan, error) bool) {
		for t := 1; t < 300; t++ {
			oil, watts := 3e5, 10e3
			if t > 121 {
				oil, watts = 2e5, 30e3
			}
			scans := []*model.Scan{{Group: "adapter", At: instant(float64(t)), Samples: []model.Sample{model.GoodSample(model.OilPressure, oil)}}}
			if t%10 == 0 {
				scans = append(scans, &model.Scan{Group: "meter", At: instant(float64(t)), Samples: []model.Sample{
					model.GoodSample(model.PowerActive, watts), model.GoodSample(model.FrequencyPoint, 50)}})
			}
			for _, scan := range scans {
				if !yield(scan, nil) {
					return
				}
			}
		}
	}
	spans := record(t, in).Steady
	if len(spans) != 2 {
		t.Fatalf("%d spans", len(spans))
	}
	for i, want := range []float64{3e5, 2e5} {
		if oil := spans[i].Points[model.OilPressure]; oil.Min != want || oil.Max != want {
			t.Errorf("span %d has oil from %.0f to %.0f Pa, want %.0f", i+1, oil.Min, oil.Max, want)
		}
	}
}

// A single reading outside the band half a minute after a step is no recovery of half
// a minute where readings come every 5 s: a load that came and went looks like it.
func TestASlowReadingOutsideIsNoLongRecovery(t *testing.T) {
	for every, want := range map[float64]float64{5: 0, 1: 29} {
		var r []timedValue
		for i := range 12 * int(5/every) {
			v := 50.0
			if at := float64(i) * every; at == 30 {
				v = 52
			}
			r = append(r, timedValue{float64(i) * every, v})
		}
		m := recovery(r, jump{before: 0, first: every, end: 100}, 50, 0.5)
		if want = max(0, want-every); math.Abs(m.lo-want) > 1e-9 {
			t.Errorf("read every %v s: recovery at least %v s, want %v s", every, m.lo, want)
		}
		if every > slow && (!math.IsInf(m.hi, 1) || m.why == "") {
			t.Errorf("read every %v s: recovery at most %v s (%s)", every, m.hi, m.why)
		}
	}
}

// One reading of a load that came and went moves no level that slow readings settled at.
func TestASlowReadingMovesNoLevel(t *testing.T) {
	for every, want := range map[float64]float64{5: 50, 1: 50.5} {
		r := []timedValue{{0, 50}, {every, 50}, {2 * every, 52}, {3 * every, 50}}
		if got := settledAt(r); got != want {
			t.Errorf("read every %v s: %v, want %v", every, got, want)
		}
	}
}
