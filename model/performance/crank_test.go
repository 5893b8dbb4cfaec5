package performance

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"tickover/model"
	"tickover/model/running"
)

// crank is one crank in closed form, times in s.
type crank struct {
	begin, release float64 // of the starter
	fire           float64 // when it runs on its own fuel; +Inf: it does not
	hot            float64 // V of surface charge that the battery still has, and loses
	rest           float64 // V
	dip, rush      float64 // V that the starter draws it down by, and more at first
	oilAfter       float64 // s until oil comes
	pickup, volts  bool    // a pickup is fitted; the battery is read
}

const (
	starterSpeed = 3.3 // 1/s
	crankTail    = 90.0
)

func (c crank) speed(t float64) float64 {
	on := func(t float64) float64 { return starterSpeed * (1 - math.Exp(-(t-c.begin)/0.2)) }
	switch {
	case t < c.begin:
		return 0
	case t < min(c.fire, c.release):
		return on(t)
	case t < c.fire && !math.IsInf(c.fire, 1):
		return on(t)
	case !math.IsInf(c.fire, 1):
		from := on(c.fire)
		return from + (25.5-from)*(1-math.Exp(-(t-c.fire)/1.2))
	}
	return max(0, on(c.release)*(1-(t-c.release)/0.7))
}

// turned is when the speed crosses v after it fired.
func (c crank) turned(v float64) float64 {
	return c.fire - 1.2*math.Log((25.5-v)/(25.5-starterSpeed*(1-math.Exp(-(c.fire-c.begin)/0.2))))
}

func (c crank) battery(t float64) float64 {
	v := c.rest + c.hot*math.Exp(-(t-c.begin+20)/40)
	switch {
	case t < c.begin:
	case t < c.release:
		v -= c.dip + c.rush*math.Exp(-(t-c.begin)/0.3)
	default:
		v -= 0.2 + (c.dip-0.2)*math.Exp(-(t-c.release)/0.08)
	}
	if from := c.turned(10); t > from { // false while it does not fire
		v += (14.2 - v) * (1 - math.Exp(-(t-from)/3))
	}
	return v
}

func (c crank) oil(t float64) float64 {
	if t < c.begin+c.oilAfter || math.IsInf(c.fire, 1) && t > c.release {
		return 0
	}
	return 3e5 * (1 - math.Exp(-(t-c.begin-c.oilAfter)/1.5))
}

func (c crank) volt(t float64) float64 {
	if from := c.turned(9); t > from {
		return 230 * (1 - math.Exp(-(t-from)/0.8)) * min(1, c.speed(t)/23)
	}
	return 0
}

// built is when the voltage first reaches nine tenths of rated.
func (c crank) built() float64 {
	t := c.turned(9)
	for c.volt(t) < 0.9*230 {
		t += 0.001
	}
	return t
}

// averaged is what an instrument shows that averages over w.
func averaged(of func(float64) float64, t, w float64) float64 {
	sum := 0.0
	for i := range 10 {
		sum += of(t - w*(float64(i)+0.5)/10)
	}
	return sum / 10
}

// input polls cranks that come one after the other.
func (h crankPolls) input(cranks ...crank) Input {
	r := model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 230 * math.Sqrt(3), Frequency: 50, Poles: 4, Battery: 12}
	engine := running.New(r)
	var events []model.Event
	var scans []*model.Scan
	step := func(group string, t float64, samples ...model.Sample) {
		scan := &model.Scan{Group: group, At: model.Instant{Boot: 1, Offset: time.Duration(t * 1e9)}, Samples: samples}
		if _, change := engine.Step(scan); change != nil {
			events = append(events, model.Event{At: scan.At, Kind: model.EngineEvent, Engine: change})
		}
		scans = append(scans, scan)
	}
	last := cranks[len(cranks)-1].begin + crankTail
	for t := cranks[0].begin - 60 + h.phase; t < last; t += h.every {
		i := len(cranks) - 1
		for i > 0 && t < (cranks[i-1].begin+cranks[i].begin)/2 {
			i--
		}
		c := cranks[i]
		hertz := 0.0
		if c.volt(t) > 30 {
			hertz = averaged(c.speed, t, h.average) * 2
		}
		samples := []model.Sample{model.GoodSample(model.OilPressure, averaged(c.oil, t, h.average))}
		if c.volts {
			samples = append(samples, model.GoodSample(model.BatteryVoltage, math.Round(100*averaged(c.battery, t, h.average))/100))
		}
		if c.pickup {
			samples = append(samples, model.GoodSample(model.SpeedPoint, averaged(c.speed, t, h.average)))
		}
		step("adapter", t, samples...)
		shown := t + h.lag
		if h.renew > 0 {
			shown = math.Floor(shown/h.renew) * h.renew
		}
		v := averaged(c.volt, shown, h.window)
		step("meter", t+h.lag, model.GoodSample(model.FrequencyPoint, hertz), model.GoodSample(model.VoltageL1N, v),
			model.GoodSample(model.VoltageL2N, v), model.GoodSample(model.VoltageL3N, v))
	}
	runs := running.Runs(events, scans[len(scans)-1].At)
	if len(runs) == 0 {
		runs = []model.Run{{}}
	}
	return Input{Run: runs[0], Rating: r, Events: events, Scans: func(yield func(*model.Scan, error) bool) {
		for _, scan := range scans {
			if !yield(scan, nil) {
				return
			}
		}
	}}
}

// crankPolls is how cranks are read; the meter renews what it shows every renew s, as
// means over window s.
type crankPolls struct{ every, phase, lag, average, renew, window float64 }

func randomCrank(random *rand.Rand) (crank, crankPolls) {
	u := func(lo, hi float64) float64 { return lo + (hi-lo)*random.Float64() }
	c := crank{begin: 100, rest: u(12.2, 12.8), dip: u(1.8, 3.5), rush: u(0, 1.5), oilAfter: u(0.5, 4), fire: math.Inf(1),
		pickup: random.IntN(3) > 0, volts: random.IntN(4) > 0, hot: float64(random.IntN(2)) * u(0, 1.5)}
	c.release = c.begin + u(0.6, 12)
	if random.IntN(4) > 0 {
		c.fire = c.release - u(0, 1)*min(1.5, c.release-c.begin-0.4)
	}
	every := []float64{0.1, 0.25, 0.5, 1, 2}[random.IntN(5)]
	return c, crankPolls{every, u(0, 1) * every, u(0, 1) * every, u(0, 1) * every, 0, 0}
}

// contains reports whether a figure does not exclude the truth; one that is not
// known does not.
func contains(f model.Figure, truth float64) bool {
	const rounding = 1e-6
	switch {
	case !f.Known:
		return true
	case f.Bound == model.AtLeast:
		return truth >= f.Value-rounding
	case f.Bound == model.AtMost:
		return truth <= f.Value+rounding
	case f.Bound == model.Interval:
		return truth >= f.Low-rounding && truth <= f.High+rounding
	}
	return math.Abs(truth-f.Value) <= f.Uncertainty+rounding
}

// Every time that a start record gives holds the truth, by whatever witnesses and
// at whatever interval it was read, after a hot stop too.
func TestStartTimesHoldTheTruth(t *testing.T) {
	random, meter := rand.New(rand.NewPCG(16, 12)), rand.New(rand.NewPCG(16, 13))
	claims, known, missed := map[string]int{}, map[string]int{}, map[string]int{}
	for n := range 400 {
		c, h := randomCrank(random)
		h.renew = meter.Float64() // with its average at most 1 s
		h.window = (1 - h.renew) * meter.Float64()
		rec, err := Record(h.input(c))
		if err != nil {
			t.Fatal(err)
		}
		truths := map[string]float64{"crank time": c.release - c.begin}
		if !math.IsInf(c.fire, 1) {
			truths["time to self-sustained speed"] = c.turned(0.28*25) - c.begin
			truths["time to 90 % of rated voltage"] = c.built() - c.begin
			truths["time to first oil pressure"] = c.oilAfter - 1.5*math.Log(0.9)
			truths["time to 1 bar of oil pressure"] = c.oilAfter - 1.5*math.Log(1-1/3.)
		}
		if len(rec.FirstStart) > 1 || len(rec.FirstStart) == 0 && h.every < 1 && c.volts {
			t.Errorf("%d: %d starts recorded: %+v %+v", n, len(rec.FirstStart), c, h)
		}
		if len(rec.FirstStart) != 1 {
			continue
		}
		for name, truth := range truths {
			i := slices.IndexFunc(rec.FirstStart[0].Figures, func(f model.Figure) bool { return f.Name == name })
			if i < 0 {
				continue
			}
			f := rec.FirstStart[0].Figures[i]
			claims[name]++
			if f.Known {
				known[name]++
			}
			if !contains(f, truth) || f.Verdict == model.Within && truth > longestCrank || f.Verdict == model.Outside && truth < longestCrank {
				missed[name]++
				if missed[name] < 6 {
					t.Logf("%d: %s %.3f, claimed %v %.3f (%.3f to %.3f) %s; %+v %+v", n, name, truth, f.Bound, f.Value, f.Low, f.High, f.Note, c, h)
				}
			}
		}
	}
	t.Log(fmt.Sprint("claims ", claims, " known ", known, " missed ", missed))
	for name, n := range claims {
		if missed[name]*100 > n || known[name]*2 < n {
			t.Errorf("%s: %d of %d claims exclude the truth, %d are known", name, missed[name], n, known[name])
		}
	}
}

// A crank that no reading shows is none of the crank before it: 66 s of standstill
// lie between. Its figures are open where nothing shows when it began.
func TestACrankNotSeenIsNotTheOneBefore(t *testing.T) {
	for _, pickup := range []bool{true, false} {
		random := rand.New(rand.NewPCG(16, 12))
		starts := 0
		for range 40 {
			failed := crank{begin: 100, release: 106, fire: math.Inf(1), rest: 12.6, dip: 2.5, oilAfter: 9, pickup: pickup, volts: true}
			second := crank{begin: 172 + 3*random.Float64(), rest: 12.5, dip: 2.5, oilAfter: 1, pickup: pickup, volts: true}
			second.release = second.begin + 1.2
			second.fire = second.begin + 1
			in := crankPolls{every: 3, phase: 3 * random.Float64(), lag: 0.1}.input(failed, second)
			rec := record(t, in)
			if len(rec.FirstStart) != 2 || rec.FirstStart[0].Started || !rec.FirstStart[1].Started {
				t.Fatalf("pickup %v: %d starts: %+v", pickup, len(rec.FirstStart), rec.FirstStart)
			}
			starts++
			for name, truth := range map[string]float64{"crank time": 1.2, "time to self-sustained speed": second.turned(7) - second.begin,
				"time to first oil pressure": 1 - 1.5*math.Log(0.9)} {
				if f := figureOf(t, rec.FirstStart[1].Figures, name); !contains(f, truth) || f.Known && f.Bound == model.Exact {
					t.Errorf("pickup %v: %s %.2f, claimed %+v", pickup, name, truth, f)
				}
			}
		}
		if starts == 0 {
			t.Error("nothing was played")
		}
	}
}

// What bounds a crank: the battery's dip of 1.2 V from a rest of 12.8 V at most,
// 0.2 s in which it comes back, 0.3 s until the shaft turns, 15 s before a running
// engine in which a crank not seen may have begun.
func TestWhatBoundsACrank(t *testing.T) {
	play := func(before, during float64) starter {
		s := newStarter(3, crankLag)
		for at := -10.0; at < 6; at += 0.5 {
			v := before
			if at >= 0 && at <= 2 {
				v = during
			}
			s.add(at, v)
		}
		return s
	}
	for _, c := range []struct {
		before, during float64
		dips           bool
	}{{12.6, 11.45, false}, {12.6, 11.35, true}, {13.6, 11.65, false}, {13.6, 11.55, true}, {25.2, 22.9, false}, {25.2, 22.7, true}} {
		s := play(c.before, c.during)
		lo, hi, ok := s.length()
		if ok != c.dips || ok && (math.Abs(lo-1.3) > 1e-9 || math.Abs(hi-3.5) > 1e-9) {
			t.Errorf("%v V on %v V: dips %v, %v to %v s; want %v, 1.3 to 3.5 s", c.during, c.before, ok, lo, hi, c.dips)
		}
	}
	shaft := start{shaft: newCrossing(crankLag)}
	for at, turns := range []bool{false, false, true} {
		shaft.shaft.add(float64(at)-1, turns)
	}
	if early, late := shaft.onset(); math.Abs(early+1.3) > 1e-9 || late != 0 {
		t.Errorf("the shaft stood at -1 and 0 s and turned at 1 s: begun %v to %v s, want -1.3 to 0", early, late)
	}
	for at, within := range map[float64]bool{-14.5: true, -15.5: false} {
		c := newStart(model.StateSpan{State: model.RunningUp, From: instant(100), To: instant(200)}, true)
		c.shaft.add(at-1, false)
		c.shaft.add(at, true)
		c.shaft.add(0, true)
		if c.shaft.sure() != within {
			t.Errorf("a shaft that turned from %v s on before the engine ran: its crank is seen %v, want %v", at, c.shaft.sure(), within)
		}
	}
}

// A meter may show the voltage up to 1 s late: one that renews its registers every
// second is allowed for, whatever the polls.
func TestBuildTimeAllowsForTheMeter(t *testing.T) {
	random := rand.New(rand.NewPCG(90, 16))
	seen := 0
	for n := range 60 {
		c, h := randomCrank(random)
		if math.IsInf(c.fire, 1) || !c.volts {
			continue
		}
		h.every, h.average, h.lag, h.renew = 0.02, 0.01, 0, 0.999
		rec, err := Record(h.input(c))
		if err != nil || len(rec.FirstStart) != 1 {
			t.Fatalf("%d: %v, %d starts", n, err, len(rec.FirstStart))
		}
		f := named(t, &model.RunRecord{Figures: rec.FirstStart[0].Figures}, "time to 90 % of rated voltage")
		if truth := c.built() - c.begin; !contains(f, truth) {
			t.Errorf("%d: %.3f s, claimed %.3f to %.3f", n, truth, f.Low, f.High)
		}
		seen++
	}
	if seen < 20 {
		t.Errorf("%d starts looked at", seen)
	}
}
