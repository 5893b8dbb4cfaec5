package line

import (
	"context"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/collector"
	"tickover/collector/slave"
	"tickover/model"
)

// keeper counts the scans of each group that the collector hands over.
type keeper struct{ good, bad map[string]int }

func (k *keeper) Hand(s *model.Scan, _ []model.Event) error {
	if s.Samples[0].Quality == model.Good {
		k.good[s.Group]++
	} else {
		k.bad[s.Group]++
	}
	return nil
}
func (k *keeper) HandEvents([]model.Event) func(context.Context) error {
	return func(context.Context) error { return nil }
}
func (k *keeper) SetBusy(bool)              {}
func (k *keeper) Health() model.StoreHealth { return model.StoreHealth{} }
func (k *keeper) Clock() model.Clock        { return model.Clock{} }

// calm judges nothing.
type calm struct{}

func (calm) Step(*model.Scan) []model.AlarmEvent                   { return nil }
func (calm) Device(model.Instant, string, bool) []model.AlarmEvent { return nil }
func (calm) Status() []model.AlarmStatus                           { return nil }

func oneRegister(name, line string, unit byte) model.Device {
	return model.Device{Name: name, Line: line, Unit: unit, Points: []model.Point{
		{ID: model.PointID(name + ".value"), Register: model.Register{Resolution: model.Resolution{Num: 1, Den: 1}}}}}
}

// TestTroubleStaysWhereItIs polls three lines for a minute: one that a babbler
// never lets fall silent, one with a unit that answers function 03 with 04
// beside a sound one, and a sound one. Each trouble is named at its own unit,
// and nothing sound loses a round.
func TestTroubleStaysWhereItIs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		pace := slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}
		odd := func(r slave.Request) (f slave.Fault) {
			if r.Unit == 2 {
				f.Kind = slave.WrongFunction
			}
			return f
		}
		loud := bench(t, model.Line{Name: "loud"}, numbers(), pace, slave.Faults{})
		if err := loud.Open(t.Context()); err != nil {
			t.Fatal(err)
		}
		setup := model.Setup{Lines: []model.Line{{Name: "loud"}, {Name: "odd"}, {Name: "sound"}}, Devices: []model.Device{
			oneRegister("babbler", "loud", 1), oneRegister("stranger", "odd", 2), oneRegister("beside", "odd", 3), oneRegister("meter", "sound", 1)}}
		lines := map[string]collector.Line{"loud": loud, "odd": bench(t, model.Line{Name: "odd"}, numbers(), pace, slave.Faults{Next: odd}),
			"sound": bench(t, model.Line{Name: "sound"}, numbers(), pace, slave.Faults{})}
		began, keep := time.Now(), &keeper{good: map[string]int{}, bad: map[string]int{}}
		c := collector.New(collector.Parts{Setup: setup, Lines: lines, Judge: calm{}, Keep: keep, Log: slog.New(slog.DiscardHandler),
			Derive: func(*model.Scan) *model.StateChange { return nil },
			Now:    func() model.Instant { return model.Instant{Boot: 1, Offset: time.Since(began) + time.Second} }})
		ctx, stop := context.WithTimeout(context.Background(), time.Minute-500*time.Millisecond)
		defer stop()
		done := make(chan bool)
		go func() { defer close(done); flood0(ctx, loud.conn.(*wire).port.(*cable)) }()
		c.Run(ctx)
		<-done
		for _, group := range []string{"beside/1s", "meter/1s"} {
			if keep.good[group] != 60 || keep.bad[group] > 0 {
				t.Errorf("%s: %d good rounds of 60, %d bad", group, keep.good[group], keep.bad[group])
			}
		}
		trouble := map[string]string{}
		for _, d := range c.Latest().Devices {
			trouble[d.Name] = d.Trouble
		}
		for device, words := range map[string]string{"babbler": "never idle", "stranger": "function 04 was answered for 03", "beside": "", "meter": ""} {
			if got := trouble[device]; words == "" && got != "" || !strings.Contains(got, words) {
				t.Errorf("%s: %q, want %q", device, got, words)
			}
		}
		if keep.good["babbler/1s"]+keep.good["stranger/1s"] > 0 || keep.bad["babbler/1s"] < 10 || keep.bad["stranger/1s"] < 50 {
			t.Errorf("of the troubled ones: good %v, bad %v", keep.good, keep.bad)
		}
	})
}
