package running

import (
	"testing"
	"time"

	"tickover/model"
	"tickover/model/plant"
)

// An engine whose key is turned off under load stops abruptly; one that
// stood without load for a minute before does not.
func TestAStopUnderLoadIsAbrupt(t *testing.T) {
	for name, rest := range map[string]time.Duration{"under load": 0, "5 s after": 5 * time.Second, "a minute after": time.Minute} {
		d := brief(3)
		n := len(d.script)
		off := d.script[n-1].At
		d.script = append(d.script[:n-1:n-1], plant.Action{At: off - 3*time.Minute, Text: "load", Do: func(p *plant.Plant) { p.LoadAll(15000, 1) }},
			plant.Action{At: off - rest, Text: "load off", Do: func(p *plant.Plant) { p.LoadAll(0, 1) }}, d.script[n-1])
		if rest == 0 {
			d.script = append(d.script[:n:n], d.script[n+1])
		}
		events, _ := d.play(t, New(plant.HatcheryRating()))
		loaded, abrupt := false, 0
		for _, e := range events {
			loaded = loaded || e.Engine.To == model.Loaded
			if e.Engine.Abrupt {
				abrupt++
			}
		}
		if want := map[bool]int{true: 1, false: 0}[rest < model.AbruptStop]; !loaded || abrupt != want {
			t.Errorf("%s: %d abrupt stops, want %d; loaded %v: %s", name, abrupt, want, loaded, tell(events, model.Instant{}))
		}
	}
}
