package wiring

import (
	"math/cmplx"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// loadsInTurn brings single-phase loads on one after the other.
func loadsInTurn(d *day, watts [3]float64) {
	for k, w := range watts {
		d.Load(k, w, 1)
		d.pass(12 * time.Second)
	}
}

// Meter's neutral lead open and the neutral broken at the board: the meter
// shows three good phase voltages while appliances have 117, 290 and 319 V (the
// loads of plant's TestOpenNeutral, worked out from three resistances).
func TestNeutralBrokenBehindAnOpenNeutralLead(t *testing.T) {
	d := newDay(31, time.Second)
	d.start()
	d.WireVoltages([4]int{0, 1, 2, -1})
	d.OpenNeutral(true)
	loadsInTurn(d, [3]float64{6e3, 2e3, 1e3})
	d.pass(time.Minute)
	all := d.watch.Checks(simulated)
	for _, code := range []string{"C05", "C06", "C07"} {
		if c := coded(t, all, code); c.Outcome == model.Finding {
			t.Errorf("%s finds it too, so the case is not the one meant: %+v", code, c)
		}
	}
	if c := coded(t, all, "C07"); c.Outcome != model.CannotTell {
		t.Errorf("the neutral is called whole: %+v", c)
	}
	if c := coded(t, all, "C37"); c.Outcome != model.Finding || !strings.Contains(c.Words, "without the neutral") {
		t.Errorf("%+v", c)
	}
}

// A sound neutral with the meter's lead open: single-phase loads must move the
// star point, and do not.
func TestOpenNeutralLeadOfTheMeter(t *testing.T) {
	for _, c := range []struct {
		name  string
		leads [4]int
		watts [3]float64
		want  model.Outcome
	}{
		{"lead open", [4]int{0, 1, 2, -1}, [3]float64{6e3, 4e3, 9e3}, model.Finding},
		{"lead whole", right, [3]float64{6e3, 4e3, 9e3}, model.Pass},
		{"loads too small to tell", [4]int{0, 1, 2, -1}, [3]float64{600, 600, 600}, model.CannotTell},
	} {
		d := newDay(32, time.Second)
		d.WireVoltages(c.leads)
		d.start()
		loadsInTurn(d, c.watts)
		got := coded(t, d.watch.Checks(simulated), "C37")
		if got.Outcome != c.want || c.want == model.Finding && !strings.Contains(got.Words, "does not move") {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// Loads between two phases, alone or over a balanced load, need no neutral and
// are not taken for a broken one.
func TestLoadsBetweenPhasesAreNoBrokenNeutral(t *testing.T) {
	s := starSeen{}
	base := stretchOf([3]complex128{3000, 3000, 3000})
	// 6 kW between L1 and L2: half on each, L1 leads by 30° and L2 lags by 30°.
	pair := [3]complex128{complex(3000, -1732), complex(3000, 1732), 0}
	for range 3 {
		on := stretchOf([3]complex128{3000 + pair[0], 3000 + pair[1], 3000})
		s.see(&base, &on, hatchery().Rating)
		s.see(&on, &base, hatchery().Rating)
	}
	if s.closed > 0 || s.carried > 0 {
		t.Errorf("%+v", s)
	}
}

// Each bound of a switching: what lies just inside and just outside of it.
func TestBoundsOfASwitching(t *testing.T) {
	// Currents that close: 20 A, and two that share its return.
	closing := func(third float64) [3]complex128 {
		a := complex(20, 0)
		b := -complex(third, 0)
		return onAxes([3]complex128{a, -a - b, b})
	}
	for _, c := range []struct {
		name            string
		change          [3]complex128 // W and var of each phase
		volts           float64
		carried, closed int
	}{
		{"one phase", [3]complex128{3000, 0, 0}, 230, 1, 0},
		{"too small", [3]complex128{450, 0, 0}, 230, 0, 0},
		{"closes", closing(8), 230, 0, 1},
		{"third moves just enough", closing(4.4), 230, 0, 1},
		{"third hardly moves", closing(3.6), 230, 0, 0},
		{"all alike", [3]complex128{2000, 2000, 2000}, 230, 0, 0},
		{"just too symmetrical", [3]complex128{2000, 2000, 2400}, 230, 0, 0},
		{"phases not level", closing(8), 260, 0, 0},
	} {
		s := starSeen{}
		before, after := stretchOf([3]complex128{}), stretchOf(c.change)
		before.mean.ln, after.mean.ln = [3]float64{230, c.volts, 230}, [3]float64{230, c.volts, 230}
		before.to = after.from
		s.see(&before, &after, hatchery().Rating)
		if s.carried != c.carried || s.closed != c.closed {
			t.Errorf("%s: %+v", c.name, s)
		}
		late := after
		late.from.Offset += longestSwitching + time.Second
		if s := (starSeen{}); true {
			if s.see(&before, &late, hatchery().Rating); s != (starSeen{}) {
				t.Errorf("%s, after a pause: %+v", c.name, s)
			}
		}
	}
}

// onAxes turns currents (A) on a common axis into powers against 230 V phases.
func onAxes(i [3]complex128) (s [3]complex128) {
	for k := range 3 {
		s[k] = 230 * conductors[k] * cmplx.Conj(i[k])
	}
	return s
}

// An independent witness is heard: a voltage from N to earth, or a second
// meter at the sockets.
func TestWitnessOfTheNeutral(t *testing.T) {
	for _, c := range []struct {
		name  string
		extra map[model.PointID]float64
		want  model.Outcome
		words string
	}{
		{"nothing", nil, model.CannotTell, ""},
		{"N on earth", map[model.PointID]float64{model.NeutralToEarth: 1.2}, model.CannotTell, ""},
		{"N off earth", map[model.PointID]float64{model.NeutralToEarth: 114}, model.Finding, "N is 114.0 V off earth"},
		{"N off earth as far as a whole lead allows", map[model.PointID]float64{model.NeutralToEarth: 13}, model.CannotTell, "within 13.00 V"},
		{"N just further off", map[model.PointID]float64{model.NeutralToEarth: 13.8}, model.Finding, "N is 13.80 V off earth"},
		{"sockets agree as two meters of class 1 do", map[model.PointID]float64{"voltage.l1n.sockets": 223}, model.CannotTell, "agrees"},
		{"sockets just beyond", map[model.PointID]float64{"voltage.l1n.sockets": 218}, model.Finding, "voltage.l1n.sockets"},
		{"sockets do not", map[model.PointID]float64{"voltage.l1n.sockets": 118}, model.Finding, "voltage.l1n.sockets shows 118.0 V, the meter 2"},
	} {
		d := newDay(33, time.Second)
		d.start()
		for i := range 30 {
			d.pass(time.Second)
			for id, v := range c.extra {
				d.watch.Step(&model.Scan{Group: "second/1s", At: model.Instant{Boot: 1, Offset: d.at + time.Duration(i)},
					Samples: []model.Sample{model.GoodSample(id, v)}, Measured: 1})
			}
		}
		got := coded(t, d.watch.Checks(simulated), "C37")
		if got.Outcome != c.want || !strings.Contains(got.Words, c.words) {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// stretchOf is a steady stretch of a 400 V supply with these powers, each
// against its own phase.
func stretchOf(s [3]complex128) stretch {
	var x stretch
	m := meterReading{ln: [3]float64{230, 230, 230}, ll: [3]float64{398.4, 398.4, 398.4}}
	for k := range 3 {
		m.p[k], m.q[k] = real(s[k]), imag(s[k])
	}
	for i := range 5 {
		x.add(model.Instant{Boot: 1, Offset: time.Duration(i) * time.Second}, m)
	}
	return x
}

// coded is the check of a code.
func coded(t *testing.T, all []model.Check, code string) model.Check {
	t.Helper()
	for _, c := range all {
		if c.Code == code {
			return c
		}
	}
	t.Fatalf("there is no check %s", code)
	return model.Check{}
}
