package metrics

import (
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// programEvery is how often the program's own figures, memory and file
// handles for example, are asked of the system: it costs more than all others
// together.
const programEvery = 5 * time.Second

// unhurried asks another collector once in a while and repeats what it said
// meanwhile. It may be used by several scrapes at once.
type unhurried struct {
	prometheus.Collector
	every time.Duration

	mu    sync.Mutex
	asked time.Time
	said  []prometheus.Metric
}

// Collect implements prometheus.Collector.
func (u *unhurried) Collect(out chan<- prometheus.Metric) {
	for _, m := range u.ask() {
		out <- m
	}
}

// ask returns what was said last; nobody changes it any more.
func (u *unhurried) ask() []prometheus.Metric {
	u.mu.Lock()
	defer u.mu.Unlock()
	if !u.asked.IsZero() && time.Since(u.asked) < u.every {
		return u.said
	}
	all := make(chan prometheus.Metric)
	go func() { defer close(all); u.Collector.Collect(all) }()
	u.said = make([]prometheus.Metric, 0, len(u.said))
	for m := range all {
		u.said = append(u.said, m)
	}
	u.asked = time.Now()
	return u.said
}
