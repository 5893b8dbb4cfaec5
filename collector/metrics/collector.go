package metrics

import (
	"log/slog"
	"net/http"
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"tickover/model"
)

const (
	// leastFresh and freshPolls say how old a sample may be to be served:
	// the longer of 5 s and three poll intervals.
	leastFresh = 5 * time.Second
	freshPolls = 3
)

// Collector turns the latest snapshot into metrics at each scrape. Make one
// with New.
type Collector struct {
	latest   func() *model.Snapshot
	now      func() model.Instant
	version  string
	interval map[model.PointID]time.Duration // poll intervals, as far as not the default
	slowest  time.Duration
	set      set
	daemon   daemon
	rating   model.Rating
	extremes *extremes
	totals   func() Totals
	labels   *labels
	registry *prometheus.Registry
}

// New makes a collector with a registry of its own. latest gives the newest
// snapshot, nil while there is none; now gives the present instant; points are
// those configured, with their poll intervals; version is the program's.
func New(latest func() *model.Snapshot, points map[model.PointID]model.Point, now func() model.Instant, version string) *Collector {
	c := &Collector{latest: latest, now: now, version: version, interval: map[model.PointID]time.Duration{},
		set: newSet(points), daemon: newDaemon(), extremes: newExtremes(points), labels: newLabels(), registry: prometheus.NewRegistry()}
	for id, p := range points {
		c.interval[id] = p.Every
		c.slowest = max(c.slowest, p.Every)
	}
	c.registry.MustRegister(collectors.NewGoCollector(), newProcess(), c)
	return c
}

// Nameplate adds the set's rating to what is served.
func (c *Collector) Nameplate(r model.Rating) { c.rating = r }

// Outlets adds how everything that goes out fares.
func (c *Collector) Outlets(health func() []model.OutletHealth) {
	c.registry.MustRegister(newOutlets(health))
}

// Totals is what the set did in all, as far as the store goes back. It never
// shrinks while the store lasts.
type Totals struct {
	Cranks, Starts  uint64
	Running, Loaded time.Duration
}

// Count adds what the set did in all to what is served. The function may be
// called from any goroutine.
func (c *Collector) Count(totals func() Totals) { c.totals = totals }

// Observe takes every scan, so that nothing that happens between two scrapes
// is lost. It may run beside scrapes.
func (c *Collector) Observe(scan *model.Scan) { c.extremes.add(scan) }

// Handler serves the metrics. A series that cannot be made is written to log
// and left out; the others are served. A reader who leaves is not an error.
func (c *Collector) Handler(log *slog.Logger) http.Handler {
	handler := promhttp.HandlerFor(c.registry, promhttp.HandlerOpts{
		EnableOpenMetrics: true,
		ErrorHandling:     promhttp.ContinueOnError,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelError),
	})
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		handler.ServeHTTP(&leavable{ResponseWriter: w}, r)
	})
}

// leavable takes what is written to a reader who has left and drops it. The
// library logs every family that it cannot write: anyone who leaves in
// mid-answer would fill the log.
type leavable struct {
	http.ResponseWriter
	left bool
}

// Write always takes everything.
func (l *leavable) Write(p []byte) (int, error) {
	if !l.left {
		_, err := l.ResponseWriter.Write(p)
		l.left = err != nil
	}
	return len(p), nil
}

// Describe implements prometheus.Collector.
func (c *Collector) Describe(out chan<- *prometheus.Desc) {
	c.set.describe(out)
	c.daemon.describe(out)
}

// Collect implements prometheus.Collector.
func (c *Collector) Collect(out chan<- prometheus.Metric) {
	send := sender{out, c.labels}
	send.value(c.daemon.build, 1, c.version, runtime.Version())
	c.set.nameplate(send, c.rating)
	snap := c.latest()
	if snap == nil {
		return
	}
	now := c.now()
	for id, r := range snap.Readings {
		if age, known := now.Sub(r.Good); known && !r.Good.IsZero() {
			send.value(c.daemon.sampleAge, max(age, 0).Seconds(), string(id))
		}
		if c.fresh(id, r, now) {
			c.set.reading(send, id, r.Value)
		}
	}
	c.set.extremes(send, c.extremes, now)
	if c.totals != nil {
		c.set.totals(send, c.totals())
	}
	c.set.state(send, snap)
	c.set.alarms(send, snap.Alarms)
	c.daemon.collect(send, snap, now)
}

// fresh reports whether a reading may be served. Derived points have no poll
// interval of their own; they are held to the slowest that is configured.
func (c *Collector) fresh(id model.PointID, r model.Reading, now model.Instant) bool {
	every, measured := c.interval[id]
	if !measured {
		every = c.slowest
	}
	age, known := now.Sub(r.At)
	return r.Quality == model.Good && known && age <= max(freshPolls*every, leastFresh)
}

// series is one metric name. The zero value is not usable.
type series struct {
	desc *prometheus.Desc
	kind prometheus.ValueType
}

func gauge(name, help string, labels ...string) series {
	return series{prometheus.NewDesc(name, help, labels, nil), prometheus.GaugeValue}
}

func counter(name, help string, labels ...string) series {
	return series{prometheus.NewDesc(name, help, labels, nil), prometheus.CounterValue}
}
