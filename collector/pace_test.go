package collector

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// TestUnitIsPlannedByItsTurnaround has a unit with points 59 registers apart.
// At 19200 Bd, 11 bits a character, two reads of one register take 17.2 ms of
// wire time and silence more than one of 61 needs for the 59 between (68.7 ms)
// less what a second turnaround costs: a unit that needs 60 ms is read through
// the gap as soon as that is known, one that needs 2 ms is not.
func TestUnitIsPlannedByItsTurnaround(t *testing.T) {
	const character = 11.0 / 19200
	for _, c := range []struct {
		takes time.Duration
		reads int
		share float64 // of the line, by hand: characters, two silences of 3.5 and the turnaround for each read
	}{
		{60 * time.Millisecond, 1, (8+5+2*61+7)*character + 0.060},
		{2 * time.Millisecond, 2, 2 * ((8+5+2+7)*character + 0.002)},
	} {
		synctest.Test(t, func(t *testing.T) {
			l := &scripted{takes: c.takes, measured: &model.UnitHealth{Unit: 1}}
			d := model.Device{Name: "meter", Line: "skid", Unit: 1, Points: []model.Point{point("a", 0), point("b", 60)}}
			d.Points[0].Fast = true
			n, _ := newScripted(l, nil, d)
			time.AfterFunc(900*time.Millisecond, func() {
				u := n.Latest().Lines[0].Units[0]
				if want := 2 * ((8+5+2+7)*character + 0.005); !u.Assumed || u.Turnaround != Turnaround || math.Abs(u.Planned-want) > 1e-6 {
					t.Errorf("after one round: turnaround %s, assumed %v, share %.6f, want %.6f", u.Turnaround, u.Assumed, u.Planned, want)
				}
			})
			runFor(n, 30*time.Second)
			line := n.Latest().Lines[0]
			u := line.Units[0]
			if u.Assumed || u.Turnaround != c.takes || math.Abs(u.Planned-c.share) > 1e-6 || line.Planned != u.Planned {
				t.Errorf("%s: turnaround %s, assumed %v, share %.6f of the unit and %.6f of the line, want %.6f", c.takes, u.Turnaround, u.Assumed, u.Planned, line.Planned, c.share)
			}
			burst := max((8+5+2+7)*character+c.takes.Seconds(), LeastBurst.Seconds()) / (1 - c.share)
			if got := line.BurstEvery.Seconds(); math.Abs(got-burst) > 1e-6 {
				t.Errorf("%s: a burst reads every %.6f s, want %.6f", c.takes, got, burst)
			}
			last := l.log[len(l.log)-1].at
			reads := 0
			for _, a := range l.log {
				if last.Sub(a.at) < 500*time.Millisecond {
					reads++
				}
			}
			if reads != c.reads {
				t.Errorf("%s: the last round took %d reads, want %d", c.takes, reads, c.reads)
			}
		})
	}
}
