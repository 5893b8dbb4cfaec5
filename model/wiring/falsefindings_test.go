package wiring

import (
	"math"
	"testing"
	"time"

	"tickover/model"
)

// underLoad is a watch that saw a minute of these powers (W and var of each
// phase) at 230 V.
func underLoad(powers [3]complex128) *Evidence {
	w := NewEvidence(hatchery())
	for i := range 60 {
		scan := &model.Scan{Group: "meter/1s", At: model.Instant{Boot: 1, Offset: time.Duration(i) * time.Second}}
		put := func(id model.PointID, v float64) { scan.Samples = append(scan.Samples, model.GoodSample(id, v)) }
		for k := range 3 {
			p, q := real(powers[k]), imag(powers[k])
			s := math.Hypot(p, q)
			put(model.PhaseVoltages[k], 230)
			put(model.LineVoltages[k], 398.4)
			put(model.PhaseCurrents[k], s/230)
			put(model.PhaseActive[k], p)
			put(model.PhaseReactive[k], q)
			put(model.PhaseApparent[k], s)
		}
		scan.Measured = len(scan.Samples)
		put(model.EngineStatePoint, float64(model.Loaded))
		w.Step(scan)
	}
	return w
}

// at is a power of a power factor in W and var, negative when it leads.
func at(watts, pf float64) complex128 {
	return complex(watts, math.Copysign(watts*math.Tan(math.Acos(math.Abs(pf))), pf))
}

// What ordinary loads show that C11 and C12 found wrong, and what they must go
// on finding.
func TestPowerFactorsOfOrdinaryLoads(t *testing.T) {
	pair := [3]complex128{complex(3000, -1732), complex(3000, 1732), 0} // 6 kW between L1 and L2
	over := [3]complex128{pair[0] + at(2000, 0.95), pair[1] + at(1000, 0.9), at(2500, 0.98)}
	for _, c := range []struct {
		name     string
		powers   [3]complex128
		c11, c12 model.Outcome
	}{
		{"two phases of 400 V", pair, model.CannotTell, model.Pass},
		{"two phases over other loads", over, model.Pass, model.Pass},
		{"between L3 and L1", [3]complex128{pair[1], 0, pair[0]}, model.CannotTell, model.Pass},
		{"electronics", [3]complex128{at(3000, -0.9), at(2500, -0.9), at(2800, -0.9)}, model.Pass, model.CannotTell},
		{"electronics on one phase", [3]complex128{at(3000, -0.9), at(2500, 0.95), at(2800, 0.97)}, model.Pass, model.CannotTell},
		{"motor running light", [3]complex128{at(900, 0.2), at(880, 0.2), at(920, 0.2)}, model.CannotTell, model.Pass},
		{"as low, and unlike", [3]complex128{at(900, 0.2), at(1500, 0.2), at(600, 0.2)}, model.Finding, model.Pass},
		{"next to nothing", [3]complex128{at(400, 0.05), at(400, 0.05), at(400, 0.05)}, model.Finding, model.Pass},
		{"heaters, shifted and reversed", [3]complex128{at(3000, -0.5), at(3000, -0.5), at(3000, -0.5)}, model.Finding, model.Finding},
		{"0.95, shifted and reversed", [3]complex128{at(3000, -0.74), at(2500, -0.74), at(2800, -0.74)}, model.Pass, model.Finding},
		{"just beyond electronics", [3]complex128{at(3000, -0.84), at(2500, -0.84), at(2800, -0.84)}, model.Pass, model.Finding},
		{"signs that differ", [3]complex128{at(-3000, 0.9), at(2500, 0.9), at(2800, 0.9)}, model.Finding, model.Pass},
	} {
		w := underLoad(c.powers)
		if got := w.pattern(Context{}); got.Outcome != c.c11 {
			t.Errorf("%s: %+v", c.name, got)
		}
		if got := w.leading(Context{}); got.Outcome != c.c12 || (got.Outcome != model.Pass) != (got.Do != "") {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// A walk that found everything right settles what loads alone leave open.
func TestWalkSettlesPowerFactors(t *testing.T) {
	walked := Context{Walks: []model.Event{{Checks: []model.Check{{Code: "C13", Outcome: model.Pass}}}}}
	if got := underLoad([3]complex128{at(3000, -0.9), at(2500, -0.9), at(2800, -0.9)}).leading(walked); got.Outcome != model.Pass {
		t.Errorf("%+v", got)
	}
	if got := underLoad([3]complex128{at(900, 0.2), at(880, 0.2), at(920, 0.2)}).pattern(walked); got.Outcome != model.Pass {
		t.Errorf("%+v", got)
	}
}
