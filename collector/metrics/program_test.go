package metrics

import (
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
)

// asks counts how often it is asked, and says so.
type asks struct{ n int }

func (a *asks) Describe(out chan<- *prometheus.Desc) { out <- asksDesc }
func (a *asks) Collect(out chan<- prometheus.Metric) {
	a.n++
	out <- prometheus.MustNewConstMetric(asksDesc, prometheus.GaugeValue, float64(a.n))
}

var asksDesc = prometheus.NewDesc("asks", "How often.", nil, nil)

// What costs much is asked anew when it is old, and only then.
func TestTheProgramIsAskedOnceInAWhile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var got []float64
		u := &unhurried{Collector: &asks{}, every: 5 * time.Second}
		for range 12 {
			got = append(got, testutil.ToFloat64(u))
			time.Sleep(time.Second)
		}
		if want := []float64{1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 3, 3}; !slices.Equal(got, want) {
			t.Errorf("it said %v, want %v", got, want)
		}
	})
}

// Scrapes at the same time share labels and do not mix them up.
func TestScrapesAtOnceSayTheSame(t *testing.T) {
	b := full()
	want := b.samples(t)
	var work sync.WaitGroup
	for range 8 {
		work.Go(func() {
			if got := b.samples(t); !slices.Equal(got, want) {
				t.Errorf("%d series beside others, %d alone, or with other values", len(got), len(want))
			}
		})
	}
	work.Wait()
}

// samples is every series of the set and of the daemon with its value, sorted.
func (b *bench) samples(t *testing.T) []string {
	registry := prometheus.NewPedanticRegistry()
	registry.MustRegister(b.Collector)
	families, err := registry.Gather()
	if err != nil {
		t.Error(err)
	}
	var all []string
	for _, f := range families {
		for _, m := range f.GetMetric() {
			all = append(all, f.GetName()+" "+m.String())
		}
	}
	slices.Sort(all)
	return all
}
