package line

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/collector"
	"tickover/collector/slave"
	"tickover/model"
)

// healthy is a keeper that keeps when the healthy unit was read in full, in
// its own rounds and in those of a burst.
type healthy struct {
	keeper
	rounds, all []time.Time
}

func (k *healthy) Hand(s *model.Scan, _ []model.Event) error {
	if !strings.HasPrefix(s.Group, "engine/") {
		return nil
	}
	for _, sample := range s.Samples {
		if sample.Quality != model.Good {
			return nil
		}
	}
	k.all = append(k.all, time.Now())
	if !strings.HasSuffix(s.Group, "/fast") {
		k.rounds = append(k.rounds, time.Now())
	}
	return nil
}

// refusing is a bank whose meter refuses every read for 4 s of every 40, as a
// unit does whose only other block hangs.
type refusing struct {
	*slave.Registers
	code byte
}

func (r refusing) Read(unit byte, table model.Table, address, count uint16) ([]uint16, byte) {
	if r.code > 0 && unit == 1 && !hangs(address, count) && hanging() {
		return nil, r.code
	}
	return r.Registers.Read(unit, table, address, count)
}

// hanging reports whether it is one of the 4 s; the bubble's clock begins on a
// whole minute.
func hanging() bool { return time.Now().Unix()%40 < 4 }

// hangs reports whether a read is of the block that hangs.
func hangs(address, count uint16) bool { return address <= 100 && 100 < address+count }

// nextTo polls a meter with a fault next to a healthy engine adapter for some
// minutes, each with three blocks at 1 s, and returns when the adapter was read.
func nextTo(t *testing.T, code byte, fault func(slave.Request) slave.Fault, turning bool, during time.Duration) (k *healthy, began time.Time) {
	k = &healthy{}
	synctest.Test(t, func(t *testing.T) {
		def := model.Line{Name: "bus", Baud: 19200}
		block := func(name string, unit byte) model.Device {
			m := manners{every: time.Second, counts: map[uint16]uint16{0: 2, 100: 2, 200: 2}}
			d := m.device(unit)
			d.Name = name
			for i := range d.Points {
				d.Points[i].Fast = d.Points[i].Register.Address < 200
			}
			return d
		}
		l := bench(t, def, refusing{numbers(), code}, slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}, slave.Faults{Next: fault})
		began = time.Now()
		var change *model.StateChange
		if turning {
			change = &model.StateChange{From: model.Standstill, To: model.Cranking}
		}
		c := collector.New(collector.Parts{Setup: model.Setup{Lines: []model.Line{def}, Devices: []model.Device{block("meter", 1), block("engine", 2)}},
			Lines: map[string]collector.Line{"bus": l}, Judge: calm{}, Keep: k, Log: slog.New(slog.DiscardHandler),
			Derive: func(*model.Scan) *model.StateChange { return change },
			Now:    func() model.Instant { return model.Instant{Boot: 1, Offset: time.Since(began) + time.Second} }})
		ctx, stop := context.WithTimeout(context.Background(), during)
		defer stop()
		c.Run(ctx)
	})
	return k, began
}

// TestABadUnitCostsItsNeighboursOneIntervalAndItsTimeout has a meter that does
// not hear one question in three, or one in two, or that hangs for 4 s on one
// block now and then. The engine adapter next to it is read at least every two
// intervals and one timeout, and gets four fifths of its rounds in any minute.
func TestABadUnitCostsItsNeighboursOneIntervalAndItsTimeout(t *testing.T) {
	const interval, timeout = time.Second, 500 * time.Millisecond
	deaf := func(of int) func() func(slave.Request) slave.Fault {
		return func() func(slave.Request) slave.Fault {
			rng := rand.New(rand.NewPCG(uint64(of), 7))
			return func(r slave.Request) (f slave.Fault) {
				if r.Unit == 1 && rng.IntN(of) == 0 {
					f.Kind = slave.Lost
				}
				return f
			}
		}
	}
	hung := func() func(slave.Request) slave.Fault {
		return func(r slave.Request) (f slave.Fault) {
			if r.Unit == 1 && hangs(r.Address, r.Count) && hanging() {
				f.Kind = slave.Lost
			}
			return f
		}
	}
	for _, c := range []struct {
		name  string
		code  byte // all other reads are refused by it while one block hangs
		fault func() func(slave.Request) slave.Fault
	}{
		{"deaf to one in three", 0, deaf(3)}, {"deaf to one in two", 0, deaf(2)}, {"deaf to one in twelve", 0, deaf(12)},
		{"hangs on one block", 0, hung}, {"hangs and refuses", slave.IllegalAddress, hung}, {"hangs and is busy", slave.DeviceBusy, hung},
	} {
		for _, turning := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s/%v", c.name, turning), func(t *testing.T) {
				const during = 5 * time.Minute
				var next func(slave.Request) slave.Fault
				k, began := nextTo(t, c.code, func(r slave.Request) slave.Fault {
					if next == nil {
						next = c.fault()
					}
					return next(r)
				}, turning, during)
				longest, last := time.Duration(0), began
				long := time.Duration(0)
				for _, at := range append(k.all, began.Add(during)) {
					longest = max(longest, at.Sub(last))
					if at.Sub(last) > 1500*time.Millisecond {
						long += at.Sub(last)
					}
					last = at
				}
				fewest := 60
				for from := began; !from.Add(time.Minute).After(began.Add(during)); from = from.Add(time.Second) {
					n := 0
					for _, at := range k.rounds {
						if !at.Before(from) && at.Before(from.Add(time.Minute)) {
							n++
						}
					}
					fewest = min(fewest, n)
				}
				t.Logf("longest gap %s, %d of 60 rounds, %d readings, %s in gaps over 1.5 s", longest, fewest, len(k.all), long)
				if longest > 2*interval+timeout {
					t.Errorf("the healthy unit was unread for %s", longest)
				}
				if fewest < 48 {
					t.Errorf("the healthy unit got %d of its 60 rounds in a minute", fewest)
				}
			})
		}
	}
}
