package metrics

import (
	"strconv"

	"github.com/prometheus/client_golang/prometheus"

	"tickover/model"
)

// unitSeries is the metrics of each unit on a line.
type unitSeries struct {
	asked, failures, exceptions, retries, fences, timeout, latency series
}

func newUnits() unitSeries {
	return unitSeries{
		asked:      counter("tickover_unit_asked_total", "Questions put to the unit, those asked again among them.", "line", "unit"),
		failures:   counter("tickover_unit_failures_total", "Exchanges without a usable answer, whether the question was put again or not, and what else came, by cause.", "line", "unit", "cause"),
		exceptions: counter("tickover_unit_exceptions_total", "Exception answers, by code.", "line", "unit", "code"),
		retries:    counter("tickover_unit_retries_total", "Questions asked again.", "line", "unit"),
		fences:     counter("tickover_unit_fences_total", "Short reads put in so that a late answer is not mistaken.", "line", "unit"),
		timeout:    gauge("tickover_unit_timeout_seconds", "How long the unit is waited for, as learned from its answers.", "line", "unit"),
		latency:    series{desc: prometheus.NewDesc("tickover_unit_latency_seconds", "Time from the end of a question to the begin of its answer.", []string{"line", "unit"}, nil)},
	}
}

func (u *unitSeries) describe(out chan<- *prometheus.Desc) {
	for _, s := range []series{u.asked, u.failures, u.exceptions, u.retries, u.fences, u.timeout, u.latency} {
		out <- s.desc
	}
}

func (u *unitSeries) collect(send sender, l model.LineHealth) {
	for _, h := range l.Units {
		unit := strconv.Itoa(int(h.Unit))
		send.count(u.asked, h.Asked, l.Name, unit)
		send.count(u.retries, h.Retries, l.Name, unit)
		send.count(u.fences, h.Fences, l.Name, unit)
		send.value(u.timeout, h.Timeout.Seconds(), l.Name, unit)
		for _, f := range []struct {
			cause string
			n     uint64
		}{{model.CorruptAnswer.String(), h.Corrupt}, {model.NoAnswer.String(), h.NoAnswers}, {model.ForeignAnswer.String(), h.Foreign},
			{lateAnswer, h.Late}, {echoHeard, h.Echoes}, {ghostBytes, h.Ghosts}} {
			send.count(u.failures, f.n, l.Name, unit, f.cause)
		}
		for code, n := range h.Exceptions {
			send.count(u.exceptions, n, l.Name, unit, strconv.Itoa(int(code)))
		}
		send.out <- histogram(u.latency.desc, h.Latency, l.Name, unit)
	}
}

// Causes that are no cause of a bad sample.
const (
	lateAnswer = "late answer"
	echoHeard  = "echo"
	ghostBytes = "ghost bytes"
)

// histogram adds the buckets up, as Prometheus has them.
func histogram(desc *prometheus.Desc, l model.Latency, labels ...string) prometheus.Metric {
	buckets := map[float64]uint64{}
	var sum uint64
	for i, bound := range model.LatencyBounds {
		sum += l.Counts[i]
		buckets[bound.Seconds()] = sum
	}
	return prometheus.MustNewConstHistogram(desc, l.Count(), l.Sum.Seconds(), buckets, labels...)
}
