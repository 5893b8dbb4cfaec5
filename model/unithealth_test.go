package model

import (
	"testing"
	"time"
)

func TestLatencyQuantiles(t *testing.T) {
	var l Latency
	if l.Quantile(0.5) != 0 {
		t.Error("a quantile of nothing")
	}
	for range 98 {
		l.Add(4 * time.Millisecond)
	}
	l.Add(150 * time.Millisecond)
	l.Add(3 * time.Second)
	for _, c := range []struct {
		q    float64
		want time.Duration
	}{{0.5, 5 * time.Millisecond}, {0.98, 5 * time.Millisecond}, {0.99, 200 * time.Millisecond}, {1, 3 * time.Second}} {
		if got := l.Quantile(c.q); got != c.want {
			t.Errorf("quantile %g is %s, want %s", c.q, got, c.want)
		}
	}
	if l.Count() != 100 || l.Max != 3*time.Second {
		t.Errorf("%d answers, slowest %s", l.Count(), l.Max)
	}
}
