package main_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"tickover/testdata/days"
)

// promises say by which alarm a danger must be announced first, and how long
// after the truth reached it: the rule's delay as the documents state it. Two
// polls of the slower device and a second are added for each.
var promises = map[string]struct {
	rules  []string
	within time.Duration
}{
	"oil lost":                   {[]string{"oil.pressure.low", "oil.pressure.sinking", "oil.pressure.falling", "oil.switch.low", "oil.pressure.missing"}, 6 * time.Second},
	"no oil after the start":     {[]string{"oil.pressure.missing", "oil.switch.low"}, 12 * time.Second},
	"oil switch low":             {[]string{"oil.switch.low"}, 2 * time.Second},
	"runaway":                    {[]string{"engine.overspeed", "frequency.high"}, 1500 * time.Millisecond},
	"runaway without excitation": {[]string{"engine.overspeed"}, 500 * time.Millisecond},
	"runaway seen by the meter":  {[]string{"frequency.high"}, 2 * time.Second},
	"terminals live":             {[]string{"terminals.live"}, 4 * time.Second},
	"engine overloaded":          {[]string{"power.high", "power.far.high", "load.high"}, 62 * time.Second},
	"no voltage":                 {[]string{"voltage.absent"}, 12 * time.Second},
	"reverse power":              {[]string{"power.reverse", "power.reverse.far"}, 6 * time.Second},
	"leading reactive power":     {[]string{"reactive.leading"}, 11 * time.Second},
	"oil hot":                    {[]string{"oil.temperature.high", "oil.temperature.far.high"}, 11 * time.Second},
	"exhaust hot":                {[]string{"exhaust.hot"}, 62 * time.Second},
	"winding hot":                {[]string{"winding.hot"}, 12 * time.Second},
	"bearing hot":                {[]string{"bearing.hot"}, 12 * time.Second},
	"coolant gone":               {[]string{"coolant.level.low"}, 5 * time.Second},
	"coolant hot":                {[]string{"coolant.warm", "coolant.hot", "coolant.rising"}, 11 * time.Second},
	"neutral live against earth": {[]string{"neutral.earth.far"}, 2 * time.Second},
	"current leaks":              {[]string{"current.residual.high"}, 6 * time.Second},
	"phases apart":               {[]string{"voltage.unbalance.far", "voltage.off", "voltage.lost"}, 61 * time.Second},
	"neutral lost":               {[]string{"neutral.lost", "neutral.suspect"}, 2 * time.Second},
	"excitation lost":            {[]string{"voltage.lost"}, 3 * time.Second},
	"regulator without sensing":  {[]string{"voltage.high"}, 4 * time.Second},
	"governor sinks":             {[]string{"frequency.low"}, 15 * time.Second},
	"not charged":                {[]string{"battery.charging", "charge.lamp.lit"}, 50 * time.Second},
	"overcharged":                {[]string{"battery.overcharged"}, 31 * time.Second},
	"carbon monoxide":            {[]string{"co.far.high"}, time.Second},
	"stops under load":           {[]string{"engine.stopped.loaded", "voltage.lost", "frequency.low"}, 14 * time.Second},
	"runs on with its key off":   {[]string{"engine.stopping.slowly", "engine.not.stopping"}, 31 * time.Second},
	"load on one phase":          {[]string{"current.negative.far"}, 260 * time.Second},
	"engine device silent":       {[]string{"engine.blind", "device.engine.lost"}, 18 * time.Second},
	"meter silent":               {[]string{"device.meter.lost"}, 18 * time.Second},
	"line cut":                   {[]string{"engine.blind", "device.engine.lost"}, 18 * time.Second},
	"oil sensor broken":          {[]string{"oil.pressure.failed"}, 7 * time.Second},
}

// one are the losses that give one alarm, with all that follows shown under it.
var one = map[string]bool{"excitation lost": true, "engine device silent": true, "meter silent": true, "line cut": true}

// Days of sets drawn at random with one danger let in: none is missed, each is
// announced within its stated time, and what is announced first is the danger.
func TestTwoHundredDaysWithADangerAnnounceIt(t *testing.T) {
	t.Parallel()
	all, told := days.Dangers(), 0
	for seed := uint64(1); seed <= 200; seed++ {
		g := all[int(seed)%len(all)]
		s := days.DrawSet(rand.New(rand.NewPCG(seed, 7)))
		if g.Fits != nil && !g.Fits(s) {
			s.Devices[1].SetFed = false
		}
		d, at := days.WithDanger(s, g, seed)
		about := describe(s)
		w := watched(d)
		w.beyond = func(d *days.Day) bool { return d.Now > at && (g.Reached == nil || g.Reached(d)) }
		first := announced(w.play())
		promise := promises[g.Name]
		limit := promise.within + 2*max(s.Devices[0].Every, s.Devices[1].Every) + time.Second
		switch {
		case w.reached == 0:
			t.Errorf("day %d, %s: the truth never reached it\n%s", seed, g.Name, about)
		case len(first) == 0:
			t.Errorf("day %d, %s at %s: nothing is announced\n%s", seed, g.Name, w.reached, about)
		case !slices.Contains(promise.rules, first[0].Rule):
			t.Errorf("day %d, %s at %s: announced first is %v\n%s", seed, g.Name, w.reached, words(first), about)
		case first[0].At.Offset > w.reached+limit:
			t.Errorf("day %d, %s at %s: announced at %s, want within %s: %v\n%s", seed, g.Name, w.reached, first[0].At, limit, words(first), about)
		case one[g.Name] && len(first) > 1:
			t.Errorf("day %d, %s at %s: more than one alarm is announced: %v\n%s", seed, g.Name, w.reached, words(first), about)
		default:
			told++
		}
	}
	t.Logf("%d of 200 dangers announced in time and first", told)
}
