package performance

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"tickover/model"
)

// response is a frequency after a load step, in closed form: second order
// with a droop, or first order when damping is 0.
type response struct {
	before, droop, dip float64 // Hz: level, lasting and passing fall
	decay, beat, lag   float64 // 1/s, rad/s, s
}

func (r response) at(t float64) float64 {
	if t <= 0 {
		return r.before
	}
	return r.before - r.droop*(1-math.Exp(-t/r.lag)) - r.dip*math.Exp(-r.decay*t)*math.Sin(r.beat*t)
}

// truth returns the lowest value and when it is inside after±half for good,
// from a look every millisecond.
func (r response) truth(half float64) (lowest, settled float64) {
	after := r.before - r.droop
	lowest = r.before
	for i := range 45000 {
		t := float64(i) / 1000
		v := r.at(t)
		lowest = min(lowest, v)
		if math.Abs(v-after) > half {
			settled = t
		}
	}
	return lowest, settled
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
	response
	every, jitter, average, phase, watts float64
}

func newTrial(random *rand.Rand) trial {
	u := func(lo, hi float64) float64 { return lo + (hi-lo)*random.Float64() }
	r := response{before: 52, droop: u(0, 1.5), dip: u(0, 8), decay: u(0.4, 4), beat: u(0.5, 8), lag: u(0.1, 2)}
	if random.IntN(2) == 0 {
		r.dip = 0
	}
	every := u(0.1, 2)
	return trial{r, every, u(0, 0.1) * every, u(0, 1) * every, u(0, 1) * every, u(5e3, 40e3)}
}

// scans shows the trial with the step 60 s in and 50 s after it.
func (tr trial) input(random *rand.Rand) Input {
	const step = 60
	in := Input{Rating: model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50, Class: "G2"}}
	in.Run = model.Run{ID: "1", Started: instant(0), States: []model.StateSpan{{State: model.Loaded, From: instant(0), To: instant(200)}}}
	in.Scans = func(yield func(*model.Scan, error) bool) {
		for t := 1 + tr.phase; t < step+50; t += tr.every {
			at := t + tr.jitter*(2*random.Float64()-1)
			share := min(max((at-step)/tr.average, 0), 1)
			f := math.Round(100*tr.mean(at-step, tr.average)) / 100
			scan := &model.Scan{Group: "meter/1s", At: instant(at), Samples: []model.Sample{
				model.GoodSample(model.FrequencyPoint, f), model.GoodSample(model.PowerActive, math.Round(tr.watts*share))}}
			if !yield(scan, nil) {
				return
			}
		}
	}
	return in
}

// hits counts what a trial's figures got right.
type hits struct{ bounds, inside, wrong, decided, verdicts int }

func (h *hits) bound(m measure, truth float64) {
	h.bounds++
	if m.known && truth >= m.lo-1e-9 && truth <= m.hi+1e-9 {
		h.inside++
	}
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
	in := tr.input(random)
	r := pass(in)
	if len(r.steps) != 1 {
		return fmt.Sprintf("%+v: %d steps", tr, len(r.steps))
	}
	s := r.steps[0]
	before := *h
	g2 := s.per[frequencyRecoveryOn][1]
	lowest, settled := tr.truth(0.5)
	dip := s.per[differenceOn][0]
	h.bound(g2, settled)
	h.verdict(g2, settled)
	h.bound(dip, 100*(tr.before-lowest)/50)
	h.verdict(dip, 100*(tr.before-lowest)/50)
	if h.inside-before.inside < 2 || h.wrong > before.wrong {
		return fmt.Sprintf("%+v\n settled %.3f of %.3f..%.3f, dip %.3f of %.3f..%.3f", tr, settled, g2.lo, g2.hi, 100*(tr.before-lowest)/50, dip.lo, dip.hi)
	}
	return ""
}

// A thousand random steps: the bounds hold the truth in at least 99 %, and no
// verdict is wrong.
func TestTruth(t *testing.T) {
	random, h := rand.New(rand.NewPCG(11, 12)), &hits{}
	for range 1000 {
		if missed := h.try(random); missed != "" {
			t.Log(missed)
		}
	}
	t.Logf("%d of %d bounds hold the truth; %d of %d verdicts decided, %d wrong", h.inside, h.bounds, h.decided, h.verdicts, h.wrong)
	if h.wrong > 0 || float64(h.inside) < 0.99*2000 {
		t.Errorf("%d of 2000 bounds hold the truth, %d verdicts wrong", h.inside, h.wrong)
	}
}

// BenchmarkTruth prints how often the bounds hold and how often a verdict
// could be given.
func BenchmarkTruth(b *testing.B) {
	random, h := rand.New(rand.NewPCG(21, 22)), &hits{}
	for b.Loop() {
		h.try(random)
	}
	b.ReportMetric(100*float64(h.inside)/float64(max(h.bounds, 1)), "%inside")
	b.ReportMetric(float64(h.wrong), "wrong-verdicts")
	b.ReportMetric(100*float64(h.decided)/float64(max(h.verdicts, 1)), "%decided")
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
