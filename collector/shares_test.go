package collector

import (
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// TestSharesOfTheTenSeconds holds the schedule of a unit that answers some
// questions and not others, at an interval of 1 s, where every read is due
// within ten seconds.
func TestSharesOfTheTenSeconds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := device("meter", 1)
		d.Points = append(d.Points, point("far", 9000))
		p := newPoller(model.Line{Name: "skid"}, &scripted{}, Groups(model.Line{Name: "skid"}, []model.Device{{Name: d.Name, Line: "skid", Unit: 1, Points: d.Points}}), nil, nil)
		g, s := p.groups[0], p.silent["meter"]
		if len(g.Reads) != 2 {
			t.Fatalf("%d reads planned, want 2", len(g.Reads))
		}
		near, far := g.Reads[0], g.Reads[1]
		s.said, s.asked[near.ReadRequest], s.asked[far.ReadRequest] = time.Now(), time.Now(), time.Now()
		want := func(what string, at time.Time, after time.Duration) {
			t.Helper()
			if got := time.Until(at); got != after {
				t.Errorf("%s after %s, want %s", what, got, after)
			}
		}
		want("a read goes before all others", s.overdue(g, near.ReadRequest), 5*time.Second)
		p.blame(s, g, far)
		want("a read that the unit fell silent with goes before all others", s.overdue(g, far.ReadRequest), 7500*time.Millisecond)
		want("it is asked in its turn again", s.deferred[far.ReadRequest].until, 5*time.Second)
		s.answered(near.ReadRequest, true)
		p.blame(s, g, far)
		want("it is asked in its turn again, the second time", s.deferred[far.ReadRequest].until, 5*time.Second)
		s.failures = 20
		p.hasten(s, g, 500*time.Millisecond)
		want("the unit is tried again, for both reads within five seconds,", s.retry, 2*time.Second)
	})
}
