package main

import (
	"io"
	"testing"
	"time"
)

func TestProgressSaysHowFarItIs(t *testing.T) {
	for _, c := range []struct {
		done, total int64
		want        string
	}{
		{0, 0, "verify 0"},
		{7, 0, "verify 7"},
		{0, 8, "verify [                                        ] 0 %"},
		{2, 8, "verify [==========                              ] 25 % 30s left"},
		{8, 8, "verify [========================================] 100 %"},
		{9, 8, "verify [========================================] 100 %"},
	} {
		p := bar(io.Discard, "verify").setTotal(c.total)
		p.set(c.done)
		if got := p.line(10 * time.Second); got != c.want {
			t.Errorf("%d of %d: %q, want %q", c.done, c.total, got, c.want)
		}
		p.finish()
	}
}
