package wiring

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/model"
	"tickover/model/plant"
)

// rig is a running simulated set, read once a second.
type rig struct {
	*plant.Plant
	at time.Duration
	to []func(*model.Scan)
}

func newRig(seed uint64) *rig {
	r := &rig{Plant: plant.New(seed, plant.HatcheryRating())}
	r.Key(true)
	r.Crank(true)
	r.Plant.Step(4 * time.Second)
	r.Crank(false)
	r.Plant.Step(20 * time.Second)
	return r
}

// pass lets time go by and hands a scan on each second.
func (r *rig) pass(seconds int) {
	for range seconds {
		r.Plant.Step(time.Second)
		r.at += time.Second
		for _, f := range r.to {
			f(r.scan("meter/1s", metered))
		}
	}
}

func metered(id model.PointID) bool {
	return strings.HasPrefix(string(id), "voltage.") || strings.HasPrefix(string(id), "current.") || strings.HasPrefix(string(id), "power.") ||
		id == model.FrequencyPoint || id == model.EnergyActive
}

func (r *rig) scan(group string, want func(model.PointID) bool) *model.Scan {
	s := &model.Scan{Group: group, At: model.Instant{Boot: 1, Offset: r.at}}
	ids := plant.Points()
	slices.Sort(ids)
	for _, id := range ids {
		if !want(id) {
			continue
		}
		if v, ok := r.Value(id); ok {
			s.Samples = append(s.Samples, model.GoodSample(id, v))
		} else {
			s.Samples = append(s.Samples, model.BadSample(id, model.NoAnswer))
		}
	}
	s.Measured = len(s.Samples)
	return s
}

// walked does the walk in an order of conductors, with a load of some power
// and power factor, over a base load.
func walked(r *rig, order [3]int, watts, pf, base float64) *Walker {
	w := NewWalker(plant.HatcheryRating())
	r.to = append(r.to, w.Step)
	r.LoadAll(base, 0.9)
	r.pass(10)
	for _, k := range order {
		r.LoadAll(base, 0.9)
		r.Load(k, watts+base/3, mixed(base/3, 0.9, watts, pf))
		r.pass(12)
		r.LoadAll(base, 0.9)
		r.pass(8)
	}
	return w
}

// mixed is the power factor of two loads side by side.
func mixed(a, pfA, b, pfB float64) float64 {
	q := a*math.Tan(math.Acos(pfA)) + b*math.Tan(math.Acos(pfB))
	return (a + b) / math.Hypot(a+b, q)
}

var right = [4]int{0, 1, 2, 3}

func TestWalkPassesRightWiring(t *testing.T) {
	for seed := range uint64(20) {
		pf := 0.8 + 0.01*float64(seed)
		r := newRig(seed)
		got := walked(r, straight, 2000+100*float64(seed), pf, 500*float64(seed)).Result(0)
		for _, c := range got.Checks {
			if c.Outcome == model.Finding {
				t.Errorf("seed %d: %s %s", seed, c.Code, c.Words)
			}
		}
		if !got.Complete || got.Checks[0].Outcome != model.Pass || strings.Contains(got.Drawing, "wrong") {
			t.Errorf("seed %d: %+v", seed, got)
		}
	}
}

func TestWalkGoneWrong(t *testing.T) {
	for _, c := range []struct {
		name  string
		order [3]int
		words string
		whole bool
	}{
		{"L2 before L1", [3]int{1, 0, 2}, "the outlets labelled L1 and L2 are swapped, or the walk took them in another order", true},
		{"one phase on", [3]int{1, 2, 0}, "the labels of the outlets are shifted by one phase, or the walk took them in another order", true},
		{"L1 twice", [3]int{0, 0, 2}, "switchings 1 and 2 changed the same current input: one phase was taken twice, or the order was wrong; started again: 1 of 3 outlets done; next is L2", false},
	} {
		got := walked(newRig(3), c.order, 3000, 1, 0).Result(0)
		if got.Words != c.words || got.Complete != c.whole {
			t.Errorf("%s: %q", c.name, got.Words)
		}
	}
	r := newRig(4)
	w := NewWalker(plant.HatcheryRating())
	r.to = append(r.to, w.Step)
	r.pass(10)
	if got := w.Result(0); !strings.Contains(got.Next, "L1") || got.Complete {
		t.Errorf("before the first: %+v", got)
	}
	r.Load(0, 3000, 1)
	r.pass(10)
	if got := w.Result(0); !strings.Contains(got.Next, "L2") {
		t.Errorf("after the first: %+v", got)
	}
	r.LoadAll(0, 1)
	r.pass(6)
	r.LoadAll(9000, 1)
	r.pass(10)
	if got := w.Result(0); !strings.Contains(got.Words, "more than one current rose") {
		t.Errorf("all phases at once: %+v", got)
	}
}

// Who takes a phase twice may begin anew at once, and a walk done is not undone
// by loads that come after it.
func TestWalkBegunAnew(t *testing.T) {
	r := newRig(6)
	w := NewWalker(plant.HatcheryRating())
	r.to = append(r.to, w.Step)
	r.pass(10)
	on := func(k int) {
		r.Load(k, 3000, 1)
		r.pass(10)
		r.Load(k, 0, 1)
		r.pass(8)
	}
	for _, c := range []struct {
		phase int
		words string
	}{
		{0, "1 of 3 outlets done; next is L2"},
		{0, "switchings 1 and 2 changed the same current input"},
		{0, "started again: 1 of 3 outlets done; next is L2"},
		{1, "started again: 2 of 3 outlets done; next is L3"},
		{2, "every current and voltage input is on its own phase"},
		{1, "every current and voltage input is on its own phase"},
	} {
		on(c.phase)
		if got := w.Result(3000); !strings.Contains(got.Words, c.words) || got.Complete == (got.Next != "") {
			t.Errorf("after %s: %+v", phaseNames[c.phase], got)
		}
	}
}

// Fast readings between the full ones bring voltages and currents alone; the
// walk takes powers from the full ones, and says so when none has them.
func TestWalkWithFastReadings(t *testing.T) {
	for _, full := range []int{2, 0} {
		r := newRig(8)
		w, n := NewWalker(plant.HatcheryRating()), 0
		r.to = append(r.to, func(s *model.Scan) {
			if n++; full == 0 || n%full > 0 {
				s.Samples = slices.DeleteFunc(s.Samples, func(s model.Sample) bool {
					return strings.HasPrefix(string(s.Point), "power.") || s.Point == model.CurrentN
				})
			}
			w.Step(s)
		})
		r.pass(10)
		for k := range 3 {
			r.Load(k, 3000, 1)
			r.pass(12)
			r.Load(k, 0, 1)
			r.pass(8)
		}
		got := w.Result(3000)
		if named := got.Checks[0].Outcome == model.Pass; named != (full > 0) || !named && !strings.Contains(got.Words, "has no active and reactive power") {
			t.Errorf("%d: %+v", full, got)
		}
	}
}

// A ratio set to half, and voltages off by ten.
func TestWalkFindsScales(t *testing.T) {
	spoilt := func(spoil func(*model.Sample)) model.Walk {
		r := newRig(5)
		w := NewWalker(plant.HatcheryRating())
		r.to = append(r.to, func(s *model.Scan) {
			for i := range s.Samples {
				spoil(&s.Samples[i])
			}
			w.Step(s)
		})
		r.pass(10)
		for k := range 3 {
			r.Load(k, 3000, 1)
			r.pass(12)
			r.Load(k, 0, 1)
			r.pass(8)
		}
		return w.Result(3000)
	}
	half := spoilt(func(s *model.Sample) {
		if strings.HasPrefix(string(s.Point), "current.") || strings.HasPrefix(string(s.Point), "power.") && !strings.Contains(string(s.Point), "factor") {
			s.Value /= 2
		}
	})
	if c := half.Checks[1]; c.Outcome != model.Finding || !strings.Contains(c.Words, "about 0.5") || half.Checks[0].Outcome != model.Pass {
		t.Errorf("%+v", half.Checks)
	}
	ten := spoilt(func(s *model.Sample) {
		if strings.HasPrefix(string(s.Point), "voltage.") {
			s.Value /= 10
		}
	})
	if c := ten.Checks; len(c) < 2 || c[1].Outcome != model.Finding || !strings.Contains(c[1].Words, "0.1 times") {
		t.Errorf("%+v", c)
	}
	if c := spoilt(func(*model.Sample) {}).Checks; c[1].Outcome != model.Pass || c[2].Outcome != model.Pass || c[3].Outcome != model.Pass {
		t.Errorf("%+v", c)
	}
}

func ExampleWalker() {
	r := newRig(1)
	r.WireCurrents([3]int{1, 0, 2}, [3]bool{false, false, true})
	fmt.Print(walked(r, straight, 2000, 1, 0).Result(2000).Drawing)
	// Output:
	// L1   ------------> meter U L1
	// L2   ------------> meter U L2
	// L3   ------------> meter U L3
	// N    ------------> meter U N
	// L2   -- k to l --> meter I L1   <== wrong
	// L1   -- k to l --> meter I L2   <== wrong
	// L3   -- l to k --> meter I L3   <== wrong
}

func TestNoAngleIsWrappedWrong(t *testing.T) {
	if a := wrap(2*math.Pi - 0.1); math.Abs(a+0.1) > 1e-12 {
		t.Error(a)
	}
}
