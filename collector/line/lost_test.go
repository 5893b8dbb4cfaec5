package line

import (
	"context"
	"fmt"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"tickover/collector"
	"tickover/collector/slave"
	"tickover/model"
)

// readings is a keeper that keeps when a point was read.
type readings struct {
	keeper
	at []time.Time
}

func (k *readings) Hand(s *model.Scan, _ []model.Event) error {
	if s.Samples[0].Quality == model.Good {
		k.at = append(k.at, time.Now())
	}
	return nil
}

// unread polls a meter beside a sound unit for a minute, loses one question and
// the second try of it, and returns the longest time without a reading from then
// on.
func unread(t *testing.T, baud int, every time.Duration, turning bool) (longest time.Duration) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		at, lost := 40*time.Second+50*time.Millisecond, 0
		next := func(r slave.Request) (f slave.Fault) {
			if r.Unit == 1 && time.Since(began) > at && lost < 2 {
				lost++
				f.Kind = slave.Lost
			}
			return f
		}
		def := model.Line{Name: "bus", Baud: baud}
		meter, other := oneRegister("meter", "bus", 1), oneRegister("other", "bus", 2)
		meter.Every, meter.Points[0].Fast = every, true
		l := bench(t, def, numbers(), slave.Pace{Baud: baud, Turnaround: 5 * time.Millisecond}, slave.Faults{Next: next})
		keep := &readings{}
		var change *model.StateChange
		if turning {
			change = &model.StateChange{From: model.Standstill, To: model.Cranking}
		}
		c := collector.New(collector.Parts{Setup: model.Setup{Lines: []model.Line{def}, Devices: []model.Device{meter, other}},
			Lines: map[string]collector.Line{"bus": l}, Judge: calm{}, Keep: keep, Log: slog.New(slog.DiscardHandler),
			Derive: func(s *model.Scan) *model.StateChange {
				if s.Samples[0].Point != "meter.value" {
					s.Samples[0].Quality = model.Bad // the other one is not counted
				}
				return change
			},
			Now: func() model.Instant { return model.Instant{Boot: 1, Offset: time.Since(began) + time.Second} }})
		ctx, stop := context.WithTimeout(context.Background(), time.Minute)
		defer stop()
		c.Run(ctx)
		if lost != 2 {
			t.Fatalf("%d questions lost, want one and its second try", lost)
		}
		for i, now := range keep.at[1:] {
			if now.Sub(began) > at {
				longest = max(longest, now.Sub(keep.at[i]))
			}
		}
	})
	return longest
}

// TestALostQuestionCostsOneInterval loses one question with both its tries. The
// meter is read again one interval after the reading that was lost, and within a
// second while the engine turns, whatever the interval.
func TestALostQuestionCostsOneInterval(t *testing.T) {
	for _, c := range []struct {
		baud    int
		every   time.Duration
		turning bool
		most    time.Duration
	}{
		{19200, time.Second, false, 2 * time.Second}, {9600, time.Second, false, 2 * time.Second},
		{19200, 5 * time.Second, false, 10 * time.Second}, {9600, 5 * time.Second, false, 10 * time.Second},
		{19200, time.Second, true, time.Second}, {19200, 5 * time.Second, true, time.Second}, {9600, time.Second, true, time.Second}, {9600, 5 * time.Second, true, time.Second},
	} {
		t.Run(fmt.Sprintf("%d/%s/%v", c.baud, c.every, c.turning), func(t *testing.T) {
			most := c.most
			if !c.turning {
				most += 250 * time.Millisecond // the answer itself, and what the other unit takes
			}
			if got := unread(t, c.baud, c.every, c.turning); got > most {
				t.Errorf("%s without a reading, want at most %s", got, most)
			} else {
				t.Log(got)
			}
		})
	}
}
