package performance

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"tickover/model"
)

// response is how a value answers a load step, in closed form: it goes to a
// new level with a first-order lag, and beside that passes through an extreme,
// as a damped oscillation that starts from nothing (a shaft has inertia) or
// with a jump (a voltage has none).
type response struct {
	before, lasting, passing float64 // level, and how far it goes from there
	decay, beat, lag         float64 // 1/s, rad/s, s
	sign                     float64 // -1 load on, +1 load off
	jumps                    bool
}

func (r response) at(t float64) float64 {
	if t <= 0 {
		return r.before
	}
	swing := math.Sin(r.beat * t)
	if r.jumps {
		swing = math.Cos(r.beat * t)
	}
	return r.before + r.sign*(r.lasting*(1-math.Exp(-t/r.lag))+r.passing*math.Exp(-r.decay*t)*swing)
}

// truth returns how far it went from level, and when it is inside after±half
// for good, from a look every millisecond of 20 s: what decays slowest is then below a hundredth of the band.
func (r response) truth(level, half float64) (extreme, settled float64) {
	after := r.before + r.sign*r.lasting
	for i := range 20000 {
		t := (float64(i) + 0.5) / 1000
		v := r.at(t)
		extreme = max(extreme, r.sign*(v-level))
		if math.Abs(v-after) > half {
			settled = t
		}
	}
	return extreme, settled
}

// mean is what a meter averaging over w shows.
func (r response) mean(t, w float64) float64 {
	sum := 0.0
	for i := range 20 {
		sum += r.at(t - w*(float64(i)+0.5)/20)
	}
	return sum / 20
}

// trial is one random step seen through a meter.
type trial struct {
	f, u                                 response
	every, jitter, average, phase, watts float64
}

const truthVolts = 230.0

func newTrial(random *rand.Rand) trial {
	u := func(lo, hi float64) float64 { return lo + (hi-lo)*random.Float64() }
	sign := float64(2*random.IntN(2) - 1)
	tr := trial{every: u(0.1, 2), watts: u(5e3, 40e3)}
	tr.f = response{before: 51 - sign, lasting: u(0, 1.5), passing: u(0, 8), decay: u(0.4, 4), beat: u(0.5, 8), lag: u(0.1, 2), sign: sign}
	tr.u = response{before: truthVolts + u(-2, 2), lasting: u(0, 3), passing: u(0, 60), decay: u(0.5, 8), beat: u(0, 8), lag: u(0.1, 1), sign: sign, jumps: true}
	if random.IntN(2) == 0 { // first order only
		tr.f.passing, tr.u.beat = 0, 0
	}
	tr.jitter, tr.average, tr.phase = u(0, 0.1)*tr.every, u(0, 1)*tr.every, u(0, 1)*tr.every
	return tr
}

// truthStep is when the step comes, in s.
const truthStep = 60

// scans shows the trial with the step 60 s in and 50 s after it.
func (tr trial) input(random *rand.Rand) Input {
	in := Input{Rating: model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: truthVolts * math.Sqrt(3), Frequency: 50, Class: "G2"}}
	in.Run = model.Run{ID: "1", Started: instant(0), States: []model.StateSpan{{State: model.Loaded, From: instant(0), To: instant(200)}}}
	in.Scans = func(yield func(*model.Scan, error) bool) {
		for t := 1 + tr.phase; t < truthStep+50; t += tr.every {
			at := t + tr.jitter*(2*random.Float64()-1)
			since := at - truthStep
			share := min(max(since/tr.average, 0), 1)
			if tr.f.sign > 0 {
				share = 1 - share
			}
			scan := &model.Scan{Group: "meter/1s", At: instant(at), Samples: []model.Sample{
				model.GoodSample(model.FrequencyPoint, math.Round(100*tr.f.mean(since, tr.average))/100),
				model.GoodSample(model.PowerActive, math.Round(tr.watts*share))}}
			for _, p := range model.PhaseVoltages {
				scan.Samples = append(scan.Samples, model.GoodSample(p, math.Round(10*tr.u.mean(since, tr.average))/10))
			}
			if !yield(scan, nil) {
				return
			}
		}
	}
	return in
}

// hits counts what the trials' figures got right.
type hits struct {
	bounds, inside, wrong, decided, verdicts int
	missed                                   map[string]int
}

func (h *hits) judge(what string, m measure, truth float64) string {
	h.bounds++
	wrong := h.wrong
	h.verdict(m, truth)
	if m.known && truth >= m.lo-1e-9 && truth <= m.hi+1e-9 && h.wrong == wrong {
		h.inside++
		return ""
	}
	h.missed[what]++
	return fmt.Sprintf(" %s %.3f of %.3f..%.3f", what, truth, m.lo, m.hi)
}

// verdict tries a figure against a span of limits.
func (h *hits) verdict(m measure, truth float64) {
	for limit := 0.25; limit < 30; limit *= 1.25 {
		v, _ := m.verdict(limit, limit)
		h.verdicts++
		switch {
		case v == model.Within && truth > limit || v == model.Outside && truth < limit:
			h.wrong++
		case v != model.NotDetermined:
			h.decided++
		}
	}
}

// try runs one trial and returns what was missed, in words.
func (h *hits) try(random *rand.Rand) (missed string) {
	tr := newTrial(random)
	r := pass(tr.input(random))
	if len(r.steps) != 1 {
		h.bounds += 4
		return fmt.Sprintf("%+v: %d steps", tr, len(r.steps))
	}
	g2, s := 1, r.steps[0]
	fPeak, fBack, uPeak, uBack := differenceOn, frequencyRecoveryOn, voltageDip, voltageRecoveryOn
	if tr.f.sign > 0 {
		fPeak, fBack, uPeak, uBack = differenceOff, frequencyRecoveryOff, voltageRise, voltageRecoveryOff
	}
	far, settled := tr.f.truth(tr.f.before, sets[g2].tolerance/200*50)
	farU, settledU := tr.u.truth(truthVolts, sets[g2].settle/100*truthVolts)
	missed += h.judge("frequency extreme", s.per[fPeak][0], 100*far/50)
	missed += h.judge("frequency recovery", s.per[fBack][g2], settled)
	missed += h.judge("voltage extreme", s.per[uPeak][0], 100*farU/truthVolts)
	missed += h.judge("voltage recovery", s.per[uBack][g2], settledU)
	if missed != "" {
		return fmt.Sprintf("%+v\n%s", tr, missed)
	}
	return ""
}

// holds reports whether 99 % of the bounds hold the truth and no verdict is
// wrong.
func (h *hits) holds() bool {
	return h.wrong == 0 && h.bounds > 0 && float64(h.inside) >= 0.99*float64(h.bounds)
}

// Random steps of frequency and voltage: the bounds hold the truth in at least
// 99 %, and no verdict is wrong. BenchmarkTruth asks for the same of as many
// as it is told.
func TestTruth(t *testing.T) {
	random, h := rand.New(rand.NewPCG(11, 12)), &hits{missed: map[string]int{}}
	for range 300 {
		if missed := h.try(random); missed != "" {
			t.Log(missed)
		}
	}
	t.Logf("%d of %d bounds hold the truth; %d of %d verdicts decided, %d wrong; missed %v", h.inside, h.bounds, h.decided, h.verdicts, h.wrong, h.missed)
	if !h.holds() || h.decided*4 < h.verdicts {
		t.Errorf("%d of %d bounds hold the truth, %d verdicts wrong, %d decided", h.inside, h.bounds, h.wrong, h.decided)
	}
}

// BenchmarkTruth prints how often the bounds hold and how often a verdict
// could be given, and fails when they do not hold.
func BenchmarkTruth(b *testing.B) {
	random, h := rand.New(rand.NewPCG(21, 22)), &hits{missed: map[string]int{}}
	for b.Loop() {
		if missed := h.try(random); missed != "" {
			b.Log(missed)
		}
	}
	b.ReportMetric(100*float64(h.inside)/float64(max(h.bounds, 1)), "%inside")
	b.ReportMetric(float64(h.wrong), "wrong-verdicts")
	b.ReportMetric(100*float64(h.decided)/float64(max(h.verdicts, 1)), "%decided")
	if !h.holds() {
		b.Fail()
	}
}

// pass makes the one pass of Record.
func pass(in Input) *recorder {
	r := newRecorder(in)
	for scan := range in.Scans {
		r.see(scan)
	}
	r.end()
	return r
}
