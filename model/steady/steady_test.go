package steady

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"tickover/model"
	"tickover/model/plant"
	"tickover/testdata/golden"
)

// followDay writes when readiness changed on the hatchery day and what was
// unmet a minute after each change of load.
func followDay() string {
	var b strings.Builder
	m := NewMonitor(plant.HatcheryRating())
	var was model.Readiness
	var next time.Duration
	for scan := range dayScans() {
		state := model.EngineUnknown
		for _, s := range dayStates {
			if !scan.At.Before(instant(s.from)) {
				state = s.state
			}
		}
		r := m.Step(scan, state, nil)
		if r.Ready != was.Ready || r.Settled != was.Settled || scan.At.Offset >= next {
			fmt.Fprintf(&b, "%6.0f s %-12s ready %v settled %v, left %s: %s\n", scan.At.Offset.Seconds(), state, r.Ready, r.Settled, r.Left, strings.Join(r.Unmet, "; "))
			next = scan.At.Offset + 4*time.Minute
		}
		was = r
	}
	return b.String()
}

func TestReadyDay(t *testing.T) {
	golden.Holds(t, "../../testdata/steady/day.txt", followDay())
}

// still makes scans of a set at rest in every value, from one second on.
func still(m *Monitor, from, to int, change func(s int, scan *model.Scan)) (r model.Readiness) {
	for s := from; s < to; s++ {
		scan := &model.Scan{At: instant(float64(s))}
		for p, v := range map[model.PointID]float64{
			model.FrequencyPoint: 50.5, model.VoltageL1N: 231, model.VoltageL2N: 230, model.VoltageL3N: 229,
			model.PowerActive: 12000, model.CoolantTemperature: 82, model.OilPressure: 3.2e5,
		} {
			scan.Samples = append(scan.Samples, model.GoodSample(p, v))
		}
		if change != nil {
			change(s, scan)
		}
		r = m.Step(scan, model.Loaded, nil)
	}
	return r
}

func set(scan *model.Scan, p model.PointID, v float64) {
	for i := range scan.Samples {
		if scan.Samples[i].Point == p {
			scan.Samples[i].Value = v
		}
	}
}

// The seconds left count down to the very second at which it becomes ready.
func TestReadyCountsDown(t *testing.T) {
	m := NewMonitor(plant.HatcheryRating())
	for s := 1; s < 400; s++ {
		r := still(m, s, s+1, nil)
		if r.Ready != (s >= 301) {
			t.Fatalf("ready %v at %d s: %v", r.Ready, s, r.Unmet)
		}
		if due := time.Duration(max(301-s, 0)) * time.Second; r.Left != due {
			t.Fatalf("at %d s %s are left, not %s: %v", s, r.Left, due, r.Unmet)
		}
		if r.Settled != (s >= 61) {
			t.Fatalf("settled %v at %d s", r.Settled, s)
		}
	}
}

func TestReadyCriteria(t *testing.T) {
	for _, c := range []struct {
		name    string
		change  func(s int, scan *model.Scan)
		unmet   string
		settled bool
		left    time.Duration
	}{
		{"hunting", func(s int, scan *model.Scan) { set(scan, model.FrequencyPoint, 50.5+0.22*float64(s%2)) }, "Frequency still swings: 0.11 Hz, needs less than 0.10 Hz", false, time.Minute},
		{"one phase flickers", func(s int, scan *model.Scan) { set(scan, model.VoltageL2N, 230+4*float64(s%2)) }, "Voltage L2 still swings", false, time.Minute},
		{"warming", func(s int, scan *model.Scan) { set(scan, model.CoolantTemperature, 60+float64(s)/300) }, "Coolant temperature still changes: +1.00 K in 5 min", true, 0},
		{"oil thins", func(s int, scan *model.Scan) { set(scan, model.OilPressure, 3.2e5-40*float64(s)) }, "Oil pressure still changes: -0.12 bar", true, 0},
		{"a step 100 s ago", func(s int, scan *model.Scan) {
			if s >= 300 {
				set(scan, model.PowerActive, 14600)
			}
		}, "Load unchanged for 1 min 39 s of 5 min", true, 201 * time.Second},
		{"load creeps", func(s int, scan *model.Scan) { set(scan, model.PowerActive, 12000+100*float64(s)) }, "Load unchanged for", false, 0},
		{"frequency lost", func(s int, scan *model.Scan) {
			if s > 350 {
				scan.Samples = nil
			}
		}, "Frequency has no reading now", false, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := still(NewMonitor(plant.HatcheryRating()), 1, 400, c.change)
			if r.Ready || len(r.Unmet) == 0 || !strings.HasPrefix(r.Unmet[0], c.unmet) {
				t.Fatalf("ready %v, unmet %q, not %q", r.Ready, r.Unmet, c.unmet)
			}
			if r.Settled != c.settled {
				t.Errorf("settled %v", r.Settled)
			}
			if c.name != "load creeps" && (r.Left-c.left).Abs() > 2*time.Second {
				t.Errorf("%s left, not %s", r.Left, c.left)
			}
		})
	}
}

// An active alarm and a new boot both prevent the next step; points that are not measured are
// listed.
func TestReadyOtherwise(t *testing.T) {
	m := NewMonitor(plant.HatcheryRating())
	still(m, 1, 400, nil)
	scan := &model.Scan{At: instant(400), Samples: []model.Sample{model.GoodSample(model.FrequencyPoint, 50.5)}}
	if r := m.Step(scan, model.Loaded, []string{"Coolant hot"}); r.Ready || r.Unmet[0] != "Alarm: Coolant hot" || r.Left != 0 || !r.Settled {
		t.Errorf("with an alarm: %+v", r)
	}
	for p, v := range map[model.PointID]float64{model.FrequencyMean: 50.5, model.FrequencySwing: 0, model.StepReady: 0} {
		if s, ok := scan.Find(p); !ok || s.Quality != model.Good || s.Value != v {
			t.Errorf("%s is %+v", p, s)
		}
	}
	boot := &model.Scan{At: model.Instant{Boot: 2, Offset: time.Second}, Samples: []model.Sample{model.GoodSample(model.FrequencyPoint, 50.5)}}
	r := m.Step(boot, model.Loaded, nil)
	if r.Ready || r.Settled || r.Held != 0 || len(r.Unasked) != 3 {
		t.Errorf("after a reboot: %+v", r)
	}
}
