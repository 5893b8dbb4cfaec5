package metrics

import (
	"github.com/prometheus/client_golang/prometheus"

	"tickover/model"
)

// outlets is the metrics of what goes out: readings pushed, messages sent.
type outlets struct {
	labels                                     *labels
	health                                     func() []model.OutletHealth
	up, sent, failures, dropped, pending, late series
}

func newOutlets(health func() []model.OutletHealth) *outlets {
	return &outlets{
		labels:   newLabels(),
		health:   health,
		up:       gauge("tickover_outlet_up", "1 while the other end takes what is sent.", "outlet", "kind"),
		sent:     counter("tickover_outlet_sent_total", "Samples, messages, signs of life or commands that the other end took.", "outlet", "kind"),
		failures: counter("tickover_outlet_failures_total", "Attempts that failed.", "outlet", "kind"),
		dropped:  counter("tickover_outlet_dropped_total", "Samples or messages that were given up, by reason.", "outlet", "kind", "reason"),
		pending:  gauge("tickover_outlet_pending_messages", "Messages that wait.", "outlet", "kind"),
		late:     gauge("tickover_outlet_lag_seconds", "Age of the oldest reading not yet sent, 0 when none waits.", "outlet", "kind"),
	}
}

// Describe implements prometheus.Collector.
func (o *outlets) Describe(out chan<- *prometheus.Desc) {
	for _, s := range []series{o.up, o.sent, o.failures, o.dropped, o.pending, o.late} {
		out <- s.desc
	}
}

// Collect implements prometheus.Collector.
func (o *outlets) Collect(out chan<- prometheus.Metric) {
	send := sender{out, o.labels}
	for _, h := range o.health() {
		send.truth(o.up, h.Trouble == "", h.Name, h.Kind)
		send.count(o.sent, h.Sent, h.Name, h.Kind)
		send.count(o.failures, h.Failures, h.Name, h.Kind)
		send.count(o.pending, h.Pending, h.Name, h.Kind)
		send.value(o.late, h.Lag.Seconds(), h.Name, h.Kind)
		for reason, n := range h.Dropped {
			send.count(o.dropped, n, h.Name, h.Kind, reason)
		}
	}
}
