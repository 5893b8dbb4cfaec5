package electrical

import (
	"math"
	"math/rand/v2"
	"testing"

	"tickover/testdata/reference"
)

// phasors returns what a meter shows of three line-to-neutral voltages 120°
// apart, scaled by size, seen from a star point shifted by (x, y).
func phasors(size [3]float64, x, y float64) (ln, ll [3]float64) {
	var at [3]point
	for i := range at {
		s, c := math.Sincos(-2 * math.Pi / 3 * float64(i))
		at[i] = point{size[i] * c, size[i] * s}
		ln[i] = at[i].minus(point{x, y}).size()
	}
	for i := range ll {
		ll[i] = at[i].minus(at[(i+1)%3]).size()
	}
	return ln, ll
}

// An open neutral with 3/2/1 kW on the three phases of a 230 V set gives
// 176/239/289 V and a shift of 66 V; 6/2/1 kW gives 117/290/319 V and 117 V
// (derived from the node equation).
func TestOpenNeutral(t *testing.T) {
	for _, c := range []struct {
		g, ln [3]float64
		zero  float64
	}{
		{[3]float64{3, 2, 1}, [3]float64{176, 239, 289}, 66},
		{[3]float64{6, 2, 1}, [3]float64{117, 290, 319}, 117},
	} {
		var x, y float64
		for i, g := range c.g {
			s, cos := math.Sincos(-2 * math.Pi / 3 * float64(i))
			x, y = x+230*g*cos/(c.g[0]+c.g[1]+c.g[2]), y+230*g*s/(c.g[0]+c.g[1]+c.g[2])
		}
		ln, ll := phasors([3]float64{230, 230, 230}, x, y)
		for i := range ln {
			reference.Near(t, "line to neutral", ln[i], c.ln[i], 1)
		}
		reference.Near(t, "shift", ZeroSequence(ln, ll), c.zero, 1)
		reference.Near(t, "shift exactly", ZeroSequence(ln, ll), math.Hypot(x, y), 1e-6)
		if !NeutralSuspect(ln, ll, 0.005) {
			t.Error("an open neutral went unnoticed")
		}
	}
}

// A sag of 3 % on one phase is 2.3 V of zero sequence and no neutral fault.
func TestSagIsNoNeutralFault(t *testing.T) {
	ln, ll := phasors([3]float64{230 * 0.97, 230, 230}, 0, 0)
	reference.Near(t, "shift", ZeroSequence(ln, ll), 2.3, 0.01)
	if NeutralSuspect(ln, ll, 0.002) {
		t.Error("a sag was taken for a neutral fault")
	}
}

// A healthy set seen through noise and unlike gains must stay quiet, and the
// shift must stay within its stated uncertainty.
func TestHealthySetStaysQuiet(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		ln, ll := phasors([3]float64{230, 230, 230}, 0, 0)
		const gain = 0.005
		for i := range 3 {
			ln[i] *= 1 + gain*(2*random.Float64()-1)
			ll[i] *= 1 + gain*(2*random.Float64()-1)
		}
		if NeutralSuspect(ln, ll, gain) {
			t.Fatalf("suspected %v %v", ln, ll)
		}
		if zero, bound := ZeroSequence(ln, ll), ZeroSequenceUncertainty(ln, ll, gain); zero > 1.02*bound {
			t.Fatalf("shift %.3f V beyond its uncertainty %.3f V", zero, bound)
		}
	}
}

// The textbook formula reads 15 V on a healthy set when line-to-neutral channels
// show 0.2 % more than line-to-line ones; the fit reads nothing.
func TestCommonGainMismatch(t *testing.T) {
	ln, ll := phasors([3]float64{230, 230, 230}, 0, 0)
	var squares float64
	for i := range 3 {
		ln[i] *= 1.002
		squares += 3*ln[i]*ln[i] - ll[i]*ll[i]
	}
	reference.Near(t, "textbook formula", math.Sqrt(squares/9), 14.5, 0.5)
	reference.Near(t, "fit", ZeroSequence(ln, ll), 0, 1e-6)
}

func TestStrangeTriangles(t *testing.T) {
	for _, ll := range [][3]float64{{}, {400, 0, 0}, {400, 100, 100}, {400, 200, 200}, {-1, 2, 3}} {
		if z := ZeroSequence([3]float64{230, 230, 230}, ll); !math.IsNaN(z) {
			t.Errorf("%v gave %v", ll, z)
		}
	}
	if u2 := NegativeSequence(400, 100, 100); u2 != 1 {
		t.Errorf("no triangle gave u2 %v", u2)
	}
}
