package running

import (
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"tickover/model"
	"tickover/model/plant"
	"tickover/testdata/golden"
)

// TestScenarios plays each text in testdata/running and compares what the
// engine was seen to do with what was recorded below the line.
func TestScenarios(t *testing.T) {
	files, err := filepath.Glob("../../testdata/running/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatal("no scenarios found", err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) { checkScenario(t, file) })
	}
}

func checkScenario(t *testing.T, file string) {
	head, _, _ := strings.Cut(golden.Text(t, file), "----\n")
	d := scenario(t, head)
	events, last := d.play(t, New(plant.HatcheryRating()))
	golden.Holds(t, file, head+"----\n"+tell(events, last))
}

// scenario reads the directives above the line.
func scenario(t *testing.T, head string) day {
	t.Helper()
	d := hatchery(1)
	for line := range strings.Lines(head) {
		line = strings.TrimSpace(line)
		word, rest, _ := strings.Cut(line, " ")
		switch word {
		case "", "#":
		case "plant":
			d.seed, _ = strconv.ParseUint(rest, 10, 64)
		case "script":
			if rest == "live" {
				d.script, d.length = plant.LiveLoop()
			}
		case "every":
			d.every, _ = time.ParseDuration(rest)
		case "without":
			for _, id := range strings.Fields(rest) {
				d.without = append(d.without, model.PointID(id))
			}
		case "plant-has":
			d.prepare = faults(t, strings.Split(rest, ", "))
		default:
			t.Fatalf("unknown directive %q", word)
		}
	}
	return d
}

func faults(t *testing.T, names []string) func(*plant.Plant) {
	known := map[string]func(*plant.Plant){
		"excitation off":       func(p *plant.Plant) { p.Excite(false) },
		"self-powered meter":   func(p *plant.Plant) { p.MeterSelfPowered(true) },
		"held frequency":       func(p *plant.Plant) { p.HoldFrequency(true) },
		"no charging":          func(p *plant.Plant) { p.ChargeLoss(true) },
		"no oil pressure":      func(p *plant.Plant) { p.OilLoss(true) },
		"broken neutral":       func(p *plant.Plant) { p.OpenNeutral(true) },
		"transformers reverse": func(p *plant.Plant) { p.WireCurrents([3]int{0, 1, 2}, [3]bool{true, true, true}) },
	}
	return func(p *plant.Plant) {
		for _, n := range names {
			do, ok := known[n]
			if !ok {
				t.Fatalf("unknown property %q", n)
			}
			do(p)
		}
	}
}

// tell writes events and runs as text.
func tell(events []model.Event, last model.Instant) string {
	var b strings.Builder
	for _, e := range events {
		fmt.Fprintf(&b, "%8.1f s  %s -> %s: %s\n", e.At.Offset.Seconds(), e.Engine.From, e.Engine.To, e.Engine.Evidence)
	}
	for _, r := range Runs(events, last) {
		fmt.Fprintf(&b, "run %s: started %s, cranked %s, stopped %s, ended %s; %d cranks, %d starts; running %s, loaded %s; open %v; cut short %q\n",
			r.ID, r.Started, r.Cranked, r.Stopped, r.Ended, r.Cranks, r.Starts, r.Running, r.Loaded, r.Open, r.CutShort)
	}
	return b.String()
}
