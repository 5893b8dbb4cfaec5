package wiring

import (
	"math"
	"math/rand/v2"
	"testing"

	"tickover/model"
	"tickover/model/electrical"
)

// shifted is a balanced 400 V supply seen from a star point that lies off by a
// share of the phase voltage in some direction, by a meter whose channels are
// off by up to gain and show 0.1 V of noise.
func shifted(r *rand.Rand, share, gain float64) meterReading {
	const u = 230.94
	way := 2 * math.Pi * r.Float64()
	x, y := share*u*math.Cos(way), share*u*math.Sin(way)
	m := meterReading{n: math.NaN(), i: [3]float64{math.NaN(), math.NaN(), math.NaN()}}
	for k := range 3 {
		off := func() float64 { return 1 + gain*(2*r.Float64()-1) }
		s, c := math.Sincos(-2 * math.Pi / 3 * float64(k))
		m.ln[k] = math.Hypot(u*c-x, u*s-y)*off() + 0.1*r.NormFloat64()
		m.ll[k] = u*math.Sqrt(3)*off() + 0.1*r.NormFloat64()
	}
	return m
}

// Whatever the meter's class, a shift that a whole neutral can make is not
// taken for a break, and one beyond it by twice the meter's doubt is.
func TestBreakIsToldBeyondWhatAWholeNeutralDoes(t *testing.T) {
	rating := model.Rating{ApparentPower: 50e3, Voltage: 400, Frequency: 50}
	for _, gain := range []float64{0.001, 0.002, 0.005, 0.01} {
		r := rand.New(rand.NewPCG(fresh, uint64(1e4*gain)))
		still := shifted(rand.New(rand.NewPCG(1, 1)), 0, 0)
		doubt := electrical.ZeroSequenceUncertainty(still.ln, still.ll, gain) + 0.5
		least := leastShift + 2*doubt/230
		taken, missed := 0, 0
		for i := range 2000 {
			var whole, broken neutralSeen
			at := model.Instant{Boot: 1}
			sound, bad := leastShift*r.Float64(), least+(0.5-least)*r.Float64()
			for range inARow {
				whole.see(shifted(r, sound, gain), at, rating, gain)
				broken.see(shifted(r, bad, gain), at, rating, gain)
			}
			if whole.open > 0 {
				taken++
			}
			if broken.open == 0 {
				if missed++; missed == 1 {
					t.Logf("try %d: a shift of %.1f %% is missed", i, 100*bad)
				}
			}
		}
		t.Logf("class %.1f: doubt %.1f V, told from %.1f %% on", 100*gain, doubt, 100*least)
		if taken > 0 || missed > 0 {
			t.Errorf("class %.1f: %d sound taken for broken, %d broken missed of 2000", 100*gain, taken, missed)
		}
	}
}
