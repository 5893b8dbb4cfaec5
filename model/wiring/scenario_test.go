package wiring

import (
	"fmt"
	"math/cmplx"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"tickover/model"
	"tickover/testdata/golden"
)

// wired is one way to wire the meter, and how the walk must name it.
type wired struct {
	current  [3]int
	reversed [3]bool
	voltage  [4]int
	pfs      []float64
	others   []float64 // W of other loads that stay on
	named    string
}

// Every text in testdata/wiring is walked through at each of its power factors
// with the meter's noise, with and without other loads, then loaded unequally.
// The name must be what the text says, and everything shown what was recorded.
func TestScenarios(t *testing.T) {
	files, err := filepath.Glob("../../testdata/wiring/*.txt")
	if err != nil || len(files) < 16 {
		t.Fatal("scenarios are missing", err)
	}
	for i, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			t.Parallel()
			checkScenario(t, file, uint64(100*i))
		})
	}
}

func checkScenario(t *testing.T, file string, seed uint64) {
	head, _, _ := strings.Cut(golden.Text(t, file), "----\n")
	golden.Holds(t, file, head+"----\n"+scenario(t, head).play(t, seed))
}

// scenario reads what stands above the line.
func scenario(t *testing.T, head string) wired {
	t.Helper()
	w := wired{}
	for line := range strings.Lines(head) {
		line = strings.TrimSpace(line)
		after := func(word string) (rest string, ok bool) { return strings.CutPrefix(line, word+" ") }
		if rest, ok := after("currents"); ok {
			for i, name := range strings.Fields(rest) {
				w.current[i] = slices.Index(phaseNames[:], strings.TrimPrefix(name, "-"))
				w.reversed[i] = strings.HasPrefix(name, "-")
			}
		} else if rest, ok := after("voltages"); ok {
			for i, name := range strings.Fields(rest) {
				w.voltage[i] = slices.Index(phaseNames[:], name) // open is none of them
			}
		} else if rest, ok := after("power factors"); ok {
			w.pfs = floats(t, rest)
		} else if rest, ok := after("other loads"); ok {
			w.others = floats(t, rest)
		} else if rest, ok := after("named"); ok {
			w.named = rest
		} else if !strings.HasPrefix(line, "#") {
			t.Fatalf("unknown line %q", line)
		}
	}
	return w
}

func floats(t *testing.T, words string) (all []float64) {
	for _, word := range strings.Fields(words) {
		v, err := strconv.ParseFloat(word, 64)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, v)
	}
	return all
}

func (w wired) play(t *testing.T, seed uint64) string {
	var b strings.Builder
	drawing := ""
	for _, pf := range w.pfs {
		for _, others := range w.others {
			seed++
			r := newRig(seed)
			r.WireCurrents(w.current, w.reversed)
			r.WireVoltages(w.voltage)
			walker := walked(r, straight, 3000, pf, others)
			got := walker.Result(3000)
			if !got.Complete || got.Words != w.named || strings.Contains(got.Drawing, "<== wrong") != (got.Checks[0].Figures["mistakes"] > 0) {
				t.Errorf("at %.2f over %.0f W: %v %q\n%s", pf, others, got.Complete, got.Words, got.Drawing)
			}
			drawing = got.Drawing
			fmt.Fprintf(&b, "at %.2f over %.0f W the heater shows %s: named so\n", pf, others, shown(walker))
		}
	}
	return b.String() + w.loaded(seed) + drawing
}

// shown is the power factor each switching showed at the input that rose.
func shown(w *Walker) string {
	open := w.ended()
	var all []string
	for _, s := range open.steps {
		all = append(all, fmt.Sprintf("%+.2f at %s", real(s.power)/cmplx.Abs(s.power), phaseNames[s.input]))
	}
	return strings.Join(all, ", ")
}

// loaded tells what the checks find without a walk.
func (w wired) loaded(seed uint64) string {
	d := newDay(seed, time.Second)
	d.start()
	d.WireCurrents(w.current, w.reversed)
	d.WireVoltages(w.voltage)
	for k, watts := range []float64{9e3, 7e3, 8e3} {
		d.Load(k, watts, 0.85)
	}
	d.pass(time.Minute)
	found, checks := "nothing", d.watch.Checks(simulated)
	if all := findings(checks); len(all) > 0 {
		found = strings.Join(all, "; ")
	}
	for _, c := range checks {
		if (c.Code == "C11" || c.Code == "C12") && c.Outcome == model.CannotTell && c.Do != "" {
			found += ", and left open " + c.Code + " " + c.Words
		}
	}
	return "under 9, 7 and 8 kW at 0.85 without a walk: " + found + "\n"
}

// Every order of the transformers with every choice of reversals is named as
// what it is, at some power factor of 0.8 to 1.
func TestWalkNamesAllOrdersAndReversals(t *testing.T) {
	for i, order := range permutations {
		for mask := range 8 {
			h := hypothesis{outlet: straight, current: order, reversed: [3]bool{mask&1 != 0, mask&2 != 0, mask&4 != 0}, voltage: right}
			pf := 0.8 + 0.01*float64((7*(8*i+mask))%21)
			r := newRig(fresh + uint64(8*i+mask))
			r.WireCurrents(h.current, h.reversed)
			got := walked(r, straight, 2500, pf, 3000).Result(0)
			if words := strings.Join(h.texts(), "; "); words != "" && got.Words != words {
				t.Errorf("at %.2f: %q named %q", pf, words, got.Words)
			} else if words == "" && got.Checks[0].Figures["mistakes"] != 0 {
				t.Errorf("at %.2f right wiring is named %q", pf, got.Words)
			}
		}
	}
}
