package forward

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"tickover/model"
)

// bench answers deliveries from a rule over single samples.
type bench struct {
	stored map[sample]int
	posts  int
	rule   func([]sample) answer
}

func (b *bench) post(_ context.Context, part []sample) (answer, error) {
	b.posts++
	a := b.rule(part)
	if a.status == 204 {
		for _, s := range part {
			b.stored[s]++
		}
	}
	return a, nil
}

// any204 refuses a whole request when one of its samples is bad, as servers do.
func any204(bad func(sample) bool, status int, words string) func([]sample) answer {
	return func(part []sample) answer {
		if slices.ContainsFunc(part, bad) {
			return answer{status: status, text: words}
		}
		return answer{status: 204}
	}
}

func batchOf(n, series int) []sample {
	all := make([]sample, n)
	for i := range all {
		all[i] = sample{series: i % series, t: int64(1000 * (i / series)), v: float64(i)}
	}
	return all
}

// drive calls run as a writer would, at most so many times.
func drive(d *delivery, calls int) (err error) {
	for range calls {
		if err = d.run(context.Background()); err == nil {
			return nil
		}
	}
	return err
}

func TestWhatIsNotPoisonArrivesOnceAndPoisonIsCounted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 400).Draw(t, "samples")
		batch := batchOf(n, rapid.IntRange(1, 8).Draw(t, "series"))
		poison := map[sample]bool{}
		for _, i := range rapid.SliceOfN(rapid.IntRange(0, n-1), 0, 12).Draw(t, "poison") {
			poison[batch[i]] = true
		}
		status := rapid.SampledFrom([]int{400, 422, 500}).Draw(t, "status")
		b := &bench{stored: map[sample]int{}, rule: any204(func(s sample) bool { return poison[s] }, status, "no")}
		d := newDelivery(slices.Clone(batch), newLessons(), b.post)
		err := drive(d, 3*patience)
		if len(poison) == n {
			if err == nil || len(d.dropped) > 0 {
				t.Fatalf("a server that takes nothing made us drop %v (%v)", d.dropped, err)
			}
			return
		}
		if err != nil || d.dropped[refused] != len(poison) || d.sent != n-len(poison) {
			t.Fatalf("%v: dropped %v of %d poison, sent %d of %d", err, d.dropped, len(poison), d.sent, n)
		}
		for _, s := range batch {
			if want := 1 - map[bool]int{true: 1}[poison[s]]; b.stored[s] != want {
				t.Fatalf("%+v arrived %d times", s, b.stored[s])
			}
		}
	})
}

// A server that fails at the very first sample must not stop the rest.
func TestAServerThatFailsAtOneSampleGetsTheOthers(t *testing.T) {
	batch := batchOf(1000, 4)
	b := &bench{stored: map[sample]int{}, rule: any204(func(s sample) bool { return s == batch[0] }, 500, "boom")}
	d := newDelivery(slices.Clone(batch), newLessons(), b.post)
	if err := drive(d, patience+1); err != nil || d.sent != 999 || d.dropped[refused] != 1 {
		t.Errorf("%v: sent %d, dropped %v", err, d.sent, d.dropped)
	}
}

// Something before the server that refuses everything must cost no reading,
// but a small batch of nothing but poison must not stop a server that works.
func TestOnlyAServerThatTookSomethingMayRefuseAll(t *testing.T) {
	b := &bench{stored: map[sample]int{}, rule: func([]sample) answer { return answer{status: 400, text: "no"} }}
	known := newLessons()
	for _, n := range []int{1, 1000} {
		d := newDelivery(batchOf(n, 4), known, b.post)
		if err := drive(d, 3*patience); err == nil || len(d.dropped) != 0 || len(d.left) != n {
			t.Errorf("%d at a server that never took any: %v, dropped %v, %d left", n, err, d.dropped, len(d.left))
		}
	}
	known.tried(1, 0)
	d := newDelivery(batchOf(1, 1), known, b.post)
	if err := drive(d, 1); err != nil || d.dropped[refused] != 1 {
		t.Errorf("one at a server that took some before: %v, dropped %v", err, d.dropped)
	}
	d = newDelivery(batchOf(1000, 4), known, b.post)
	if err := drive(d, 3); err == nil || len(d.dropped) != 0 {
		t.Errorf("a server that suddenly takes nothing: %v, dropped %v", err, d.dropped)
	}
}

// One sample in a hundred, refused at random: what the search costs, against
// the least that any search can do with answers of yes and no.
func TestScatteredPoisonCostsFewRequests(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	batch := batchOf(100000, 32)
	poison := map[sample]bool{}
	for _, s := range batch {
		if r.IntN(100) == 0 {
			poison[s] = true
		}
	}
	b := &bench{stored: map[sample]int{}, rule: any204(func(s sample) bool { return poison[s] }, 400, "no")}
	known := newLessons()
	for part := range slices.Chunk(batch, 10000) {
		if err := drive(newDelivery(slices.Clone(part), known, b.post), 1); err != nil {
			t.Fatal(err)
		}
	}
	p := float64(len(poison)) / float64(len(batch))
	least := -float64(len(batch)) * (p*math.Log2(p) + (1-p)*math.Log2(1-p)) // Shannon's entropy in bits
	if len(b.stored) != len(batch)-len(poison) || float64(b.posts) > 1.25*least {
		t.Errorf("%d of %d stored, %d poison, %d requests, the entropy is %.0f", len(b.stored), len(batch), len(poison), b.posts, least)
	}
	t.Logf("%.2f requests for each poison sample, %.2f times the entropy", float64(b.posts)/float64(len(poison)), float64(b.posts)/least)
}

func TestAnIllServerIsNotAskedForEverySample(t *testing.T) {
	b := &bench{stored: map[sample]int{}, rule: func([]sample) answer { return answer{status: 500, text: "disk full"} }}
	d := newDelivery(batchOf(10000, 4), newLessons(), b.post)
	if err := drive(d, 2*patience); err == nil || len(d.dropped) != 0 {
		t.Errorf("%v, dropped %v", err, d.dropped)
	}
	if b.posts > 400 {
		t.Errorf("%d requests to a server that is ill", b.posts)
	}
	b.rule = func([]sample) answer { return answer{status: 204} }
	if err := drive(d, 2); err != nil || d.sent != 10000 || len(b.stored) != 10000 {
		t.Errorf("recovered: %v, sent %d of 10000", err, d.sent)
	}
}

// "Too old" is one limit for the whole server, so the samples behind it cost a
// few requests, not two each.
func TestSamplesTooOldCostFewRequests(t *testing.T) {
	batch := batchOf(10000, 32)
	limit := batch[6000].t
	old := func(s sample) bool { return s.t < limit }
	for _, c := range []answer{{status: 500, text: "too old sample"}, {status: 400, text: "out of bounds"}} {
		b := &bench{stored: map[sample]int{}, rule: any204(old, c.status, c.text)}
		d := newDelivery(slices.Clone(batch), newLessons(), b.post)
		if err := d.run(context.Background()); err != nil || d.dropped[tooOld] != countOf(batch, old) || d.sent+d.dropped[tooOld] != len(batch) {
			t.Errorf("%s: %v, sent %d, dropped %v", c.text, err, d.sent, d.dropped)
		}
		if b.posts > 60 {
			t.Errorf("%s: %d requests", c.text, b.posts)
		}
		if model.HintOf(d.trouble) != windowHint {
			t.Errorf("%s: hint %q", c.text, model.HintOf(d.trouble))
		}
	}
}

// Samples that are too old among samples of a series that is not taken: what
// is said of a request is what comes first in it.
func TestTwoFaultsInOneBatchAreToldApart(t *testing.T) {
	batch := batchOf(10000, 32)
	limit := batch[6000].t
	old := func(s sample) bool { return s.t < limit }
	unwelcome := func(s sample) bool { return s.series == 7 }
	b := &bench{stored: map[sample]int{}}
	b.rule = func(part []sample) answer {
		bySeries := slices.Clone(part)
		slices.SortStableFunc(bySeries, func(a, b sample) int { return a.series - b.series })
		for _, s := range bySeries {
			if unwelcome(s) {
				return answer{status: 500, text: "duplicate label name"}
			}
			if old(s) {
				return answer{status: 500, text: "too old sample"}
			}
		}
		return answer{status: 204}
	}
	d := newDelivery(slices.Clone(batch), newLessons(), b.post)
	err := d.run(context.Background())
	good := countOf(batch, func(s sample) bool { return !old(s) && !unwelcome(s) })
	if err != nil || d.sent != good || d.sent+d.dropped[tooOld]+d.dropped[badLabels] != len(batch) || d.dropped[tooOld] > countOf(batch, old) {
		t.Errorf("%v: sent %d of %d, dropped %v", err, d.sent, good, d.dropped)
	}
	if b.posts > 80 {
		t.Errorf("%d requests", b.posts)
	}
}

func countOf(batch []sample, bad func(sample) bool) (n int) {
	for _, s := range batch {
		if bad(s) {
			n++
		}
	}
	return n
}

// What was learnt holds for the batches that follow, and one sample refused
// long ago does not make requests small.
func TestLessonsHoldForTheNextBatches(t *testing.T) {
	limit := batchOf(50000, 32)[45000].t
	posts := 0
	post := func(_ context.Context, part []sample) (answer, error) {
		posts++
		switch {
		case slices.ContainsFunc(part, func(s sample) bool { return s.t < limit }):
			return answer{status: 500, text: "too old sample"}, nil
		case slices.ContainsFunc(part, func(s sample) bool { return s.series == 7 }):
			return answer{status: 500, text: "label name is not unique"}, nil
		}
		return answer{status: 204}, nil
	}
	known := newLessons()
	for part := range slices.Chunk(batchOf(5000000, 32), 10000) {
		if err := drive(newDelivery(part, known, post), 1); err != nil {
			t.Fatal(err)
		}
	}
	if posts > 500+100 {
		t.Errorf("%d requests for 500 batches", posts)
	}
}

func TestAnUnwelcomeSeriesIsTriedOnce(t *testing.T) {
	batch := batchOf(10000, 100)
	bad := func(s sample) bool { return s.series == 7 }
	b := &bench{stored: map[sample]int{}, rule: any204(bad, 500, "label set contains duplicate label name")}
	d := newDelivery(slices.Clone(batch), newLessons(), b.post)
	if err := d.run(context.Background()); err != nil || d.dropped[badLabels] != 100 || d.sent != 9900 {
		t.Errorf("%v, sent %d, dropped %v", err, d.sent, d.dropped)
	}
	if b.posts > 60 {
		t.Errorf("%d requests", b.posts)
	}
}

// A server without a window has some of what is sent again, and takes nothing
// of a series behind its newest sample: what is newer must arrive in order.
func TestAServerWithoutAWindowLosesNothingNew(t *testing.T) {
	batch := batchOf(960, 32)
	newest := map[int]int64{}
	for series := range 32 {
		newest[series] = int64(1000 * (10 + series%5))
	}
	b := &bench{stored: map[sample]int{}}
	had := func(s sample) bool { return s.t <= int64(1000*(10+s.series%5)) }
	b.rule = func(part []sample) answer {
		if slices.ContainsFunc(part, func(s sample) bool { return s.t <= newest[s.series] }) {
			return answer{status: 400, text: "out of order sample"}
		}
		for _, s := range part {
			newest[s.series] = s.t
		}
		return answer{status: 204}
	}
	d := newDelivery(slices.Clone(batch), newLessons(), b.post)
	if err := d.run(context.Background()); err != nil || d.dropped[outOfOrder] != countOf(batch, had) || d.sent+d.dropped[outOfOrder] != len(batch) {
		t.Errorf("%v, sent %d, dropped %v, want %d", err, d.sent, d.dropped, countOf(batch, had))
	}
}

var errCut = errors.New("the cable is cut")

// A delivery that is interrupted anywhere ends with the same samples stored.
func TestAnInterruptedDeliveryGoesOn(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	batch := batchOf(2000, 8)
	poison := func(s sample) bool { return s.series == 3 && s.t%7000 == 0 }
	b := &bench{stored: map[sample]int{}, rule: any204(poison, 400, "no")}
	d := newDelivery(slices.Clone(batch), newLessons(), func(ctx context.Context, part []sample) (answer, error) {
		if r.IntN(3) == 0 {
			return answer{}, errCut
		}
		return b.post(ctx, part)
	})
	if err := drive(d, 5000); err != nil {
		t.Fatal(err)
	}
	if want := countOf(batch, poison); d.dropped[refused] != want || len(b.stored) != len(batch)-want {
		t.Errorf("stored %d, dropped %v", len(b.stored), d.dropped)
	}
}
