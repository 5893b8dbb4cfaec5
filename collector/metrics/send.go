package metrics

import (
	"sync"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// most is how many labels a series may have.
const most = 4

// sender makes metrics from numbers.
type sender struct {
	out   chan<- prometheus.Metric
	known *labels
}

// labels keeps the label pairs of every series that was ever shown: they are
// the same at each scrape. It may be used by several scrapes at once.
type labels struct {
	mu    sync.Mutex
	pairs map[row][]*dto.LabelPair
}

// row is one series: a name with the values of its labels.
type row struct {
	desc   *prometheus.Desc
	values [most]string
}

func newLabels() *labels { return &labels{pairs: map[row][]*dto.LabelPair{}} }

func (l *labels) of(desc *prometheus.Desc, values []string) []*dto.LabelPair {
	r := row{desc: desc}
	if copy(r.values[:], values) < len(values) {
		return prometheus.MakeLabelPairs(desc, values) // too many to be kept
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	pairs, ok := l.pairs[r]
	if !ok {
		pairs = prometheus.MakeLabelPairs(desc, append([]string(nil), values...))
		l.pairs[r] = pairs
	}
	return pairs
}

// figure is one series at one scrape.
type figure struct {
	series
	pairs []*dto.LabelPair
	v     float64
}

// Desc implements prometheus.Metric.
func (f *figure) Desc() *prometheus.Desc { return f.desc }

// Write implements prometheus.Metric.
func (f *figure) Write(m *dto.Metric) error {
	m.Label = f.pairs
	if f.kind == prometheus.CounterValue {
		m.Counter = &dto.Counter{Value: &f.v}
	} else {
		m.Gauge = &dto.Gauge{Value: &f.v}
	}
	return nil
}

func (s sender) value(to series, v float64, labels ...string) {
	s.out <- &figure{to, s.known.of(to.desc, labels), v}
}

func (s sender) count(to series, n uint64, labels ...string) { s.value(to, float64(n), labels...) }

func (s sender) truth(to series, yes bool, labels ...string) {
	v := 0.0
	if yes {
		v = 1
	}
	s.value(to, v, labels...)
}
