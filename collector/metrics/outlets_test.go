package metrics

import (
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"tickover/model"
)

func someOutlets() []model.OutletHealth {
	return []model.OutletHealth{
		{Name: "central", Kind: "remote write", Sent: 7, Failures: 2, Dropped: map[string]uint64{"too old": 3}, Lag: 90 * time.Second, Trouble: "away"},
		{Name: "mail", Kind: "mail", Pending: 4},
	}
}

func TestOutletsAreShown(t *testing.T) {
	registry := prometheus.NewPedanticRegistry()
	registry.MustRegister(newOutlets(someOutlets))
	// Names are a promise: other people's alerts depend on them.
	want := `# HELP tickover_outlet_dropped_total Samples or messages that were given up, by reason.
# TYPE tickover_outlet_dropped_total counter
tickover_outlet_dropped_total{kind="remote write",outlet="central",reason="too old"} 3
# HELP tickover_outlet_failures_total Attempts that failed.
# TYPE tickover_outlet_failures_total counter
tickover_outlet_failures_total{kind="mail",outlet="mail"} 0
tickover_outlet_failures_total{kind="remote write",outlet="central"} 2
# HELP tickover_outlet_lag_seconds Age of the oldest reading not yet sent, 0 when none waits.
# TYPE tickover_outlet_lag_seconds gauge
tickover_outlet_lag_seconds{kind="mail",outlet="mail"} 0
tickover_outlet_lag_seconds{kind="remote write",outlet="central"} 90
# HELP tickover_outlet_pending_messages Messages that wait.
# TYPE tickover_outlet_pending_messages gauge
tickover_outlet_pending_messages{kind="mail",outlet="mail"} 4
tickover_outlet_pending_messages{kind="remote write",outlet="central"} 0
# HELP tickover_outlet_sent_total Samples, messages, signs of life or commands that the other end took.
# TYPE tickover_outlet_sent_total counter
tickover_outlet_sent_total{kind="mail",outlet="mail"} 0
tickover_outlet_sent_total{kind="remote write",outlet="central"} 7
# HELP tickover_outlet_up 1 while the other end takes what is sent.
# TYPE tickover_outlet_up gauge
tickover_outlet_up{kind="mail",outlet="mail"} 1
tickover_outlet_up{kind="remote write",outlet="central"} 0
`
	if err := testutil.GatherAndCompare(registry, strings.NewReader(want)); err != nil {
		t.Error(err)
	}
}
