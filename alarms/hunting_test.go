package alarms

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// governed is a set at rated speed in closed form: its load steps once, and the
// frequency answers with a damped swing; or it hunts at constant load.
type governed struct {
	step                float64 // s at which the load comes on
	share               float64 // of rating, that the load steps by
	dip, decay, beat    float64 // Hz, 1/s, rad/s of the answer
	swing, period, from float64 // Hz from peak to peak and s of the hunting, and since when
}

func (g governed) hertz(t float64) float64 {
	f := 51.0
	if since := t - g.step; since > 0 {
		f -= 2*g.share*(1-math.Exp(-since/0.5)) +
			g.dip*math.Exp(-g.decay*since)*math.Sin(g.beat*since)
	}
	if t > g.from {
		f += g.swing / 2 * math.Sin(2*math.Pi*t/g.period)
	}
	return f
}

func (g governed) load(t float64) float64 {
	if t > g.step {
		return 0.1 + g.share
	}
	return 0.1
}

// hunts plays the set and returns when each hunting rule was raised, in s. The
// load is worked out from a scan of its own, up to an interval before or after.
func (g governed) hunts(every, phase, lag, until float64) map[string]float64 {
	rules := []model.AlarmRule{}
	for _, r := range hatchery(model.PowerActive) {
		if strings.HasPrefix(r.ID, "frequency.hunting") {
			rules = append(rules, r)
		}
	}
	m, at := New(rules), map[string]float64{}
	for t := phase; t < until; t += every {
		for i, s := range []model.Sample{model.GoodSample(model.FrequencyPoint,
			math.Round(100*g.hertz(t))/100), model.GoodSample(model.LoadRatio, g.load(t+lag))} {
			when := model.Instant{Boot: 1, Offset: time.Duration((t + float64(i)*lag) * 1e9)}
			for _, e := range m.Step(&model.Scan{At: when,
				Samples: []model.Sample{s,
					model.GoodSample(model.EngineStatePoint, float64(model.Loaded))}}) {
				if e.To == model.AlarmUnacknowledged && e.From != e.To {
					at[e.Rule] = t
				}
			}
		}
	}
	return at
}

// A load step that the governor masters within ten seconds is no hunting, neither
// at once nor when it leaves the window, whatever the polling phase.
func TestAStepIsNoHunting(t *testing.T) {
	random := rand.New(rand.NewPCG(16, 11))
	u := func(lo, hi float64) float64 { return lo + (hi-lo)*random.Float64() }
	bad := 0
	for n := range 800 {
		every := []float64{0.25, 0.5, 1, 2}[n%4]
		g := governed{step: 150 + u(0, 10), share: u(0.1, 0.9), dip: u(1, 9), decay: u(0.5, 3),
			beat: u(1, 5), from: math.Inf(1)}
		if at := g.hunts(every, u(0, every), u(0, every), 300); len(at) > 0 {
			bad++
			t.Logf("every %v s: %+v: %v", every, g, at)
		}
	}
	if bad > 0 {
		t.Errorf("%d of 800 steps are called hunting", bad)
	}
}

// A set that hunts at constant load raises its alarm within window and delay,
// also after a step.
func TestHuntingIsTold(t *testing.T) {
	for _, every := range []float64{0.25, 0.5, 1, 2} {
		for _, g := range []governed{{step: 1e9, swing: 2.4, period: 7.3, from: 200},
			{step: 180, share: 0.3, swing: 2.4, period: 7.3, from: 200}} {
			at := g.hunts(every, every/3, every/2, 400)
			latest := max(g.from, g.step+75) + 20
			if g.step > 1e6 {
				latest = g.from + 20
			}
			if told := at["frequency.hunting.far"]; told < g.from || told > latest {
				t.Errorf("every %v s, %+v: told at %v, want %v to %v (%s)", every, g, told, g.from,
					latest, fmt.Sprint(at))
			}
		}
	}
}

// While the load is not steady no delay runs: hunting that began just before a step
// is judged again after it, for the whole delay.
func TestNoDelayRunsWhileTheLoadIsNotSteady(t *testing.T) {
	g := governed{step: 185, share: 0.3, swing: 4, period: 3, from: 180}
	at := g.hunts(0.5, 0.1, 0.2, 400)["frequency.hunting.far"]
	if earliest, latest := g.step+75+10-0.5, g.step+75+10+5.5; at < earliest || at > latest {
		t.Errorf("told at %v s, want %v to %v", at, earliest, latest)
	}
}

// What has to be steady is looked at for a quarter longer than the rule's window.
func TestSteadyLooksAQuarterFurtherBack(t *testing.T) {
	s := newSteady(time.Minute)
	last := 0.0
	for at := range 200 {
		v := 0.0
		if at < 100 {
			v = 1
		}
		if swung, ok := s.add(nil, model.Instant{Boot: 1, Offset: time.Duration(at) * time.Second},
			v); !ok != (at < 60) {
			t.Fatalf("after %d s it says something: %v", at, ok)
		} else if swung > 0 {
			last = float64(at)
		}
	}
	if last < 99+75-1 || last > 99+75+5 {
		t.Errorf("the change at 100 s counts until %v s", last)
	}
}
