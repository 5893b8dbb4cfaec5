package plant

import (
	"fmt"
	"time"
)

// Action is one thing the operator does to the set.
type Action struct {
	At   time.Duration // since the script's beginning
	Text string        // in words
	Do   func(*Plant)
}

func at(seconds float64, text string, do func(*Plant)) Action {
	return Action{time.Duration(seconds * float64(time.Second)), text, do}
}

func onPhase(seconds float64, phase int, watts float64) Action {
	return at(seconds, fmt.Sprintf("%g kW on L%d", watts/1000, phase+1),
		func(p *Plant) { p.Load(phase, watts, 1) })
}

func onAll(seconds, watts, pf float64) Action {
	return at(seconds, fmt.Sprintf("%g kW on three phases", watts/1000),
		func(p *Plant) { p.LoadAll(watts, pf) })
}

// HatcheryDay is a day of tests on the hatchery's set: a dry crank, a start,
// warming up, four load steps on one phase, three balanced steps and the
// rejection, an hour at 70 %, cooling down, the stop, and 35 minutes of
// standstill.
func HatcheryDay() (script []Action, length time.Duration) {
	return []Action{
		at(0, "fuel lever closed",
			func(p *Plant) { p.Fuel(false); p.SetThrottle(0); p.LoadAll(0, 1) }),
		at(120, "key on", func(p *Plant) { p.Key(true) }),
		at(123.3, "dry crank, fuel off", func(p *Plant) { p.Crank(true) }),
		at(133.3, "starter released", func(p *Plant) { p.Crank(false) }),
		at(250, "fuel lever open", func(p *Plant) { p.Fuel(true) }),
		at(256.4, "crank", func(p *Plant) { p.Crank(true) }),
		at(260.4, "starter released", func(p *Plant) { p.Crank(false) }),
		at(350, "speed lever to rated", func(p *Plant) { p.SetThrottle(1) }),
		onPhase(570, 0, 3e3),
		onPhase(660, 0, 6e3),
		onPhase(750, 0, 9e3),
		onPhase(840, 0, 0),
		onAll(930, 13.5e3, 0.95),
		onAll(1020, 27e3, 0.95),
		onAll(1110, 40e3, 0.95),
		onAll(1200, 0, 1),
		at(1290, "28 kW for the soak", func(p *Plant) {
			p.Load(0, 9.0e3, 0.93)
			p.Load(1, 9.6e3, 0.93)
			p.Load(2, 9.4e3, 0.93)
		}),
		at(4890, "load off, cooling down", func(p *Plant) { p.LoadAll(0, 1) }),
		at(5190, "key off", func(p *Plant) { p.Key(false) }),
	}, 5190*time.Second + 20*time.Second + 35*time.Minute
}

// LiveLoop is the demonstration's live part, to be repeated: a few seconds of
// standstill, a start, load steps every 25 s, a stop. Its first voltage comes
// within about 8 s.
func LiveLoop() (script []Action, length time.Duration) {
	return []Action{
		at(0, "standstill", func(p *Plant) { p.Fuel(true); p.SetThrottle(1); p.LoadAll(0, 1) }),
		at(2, "key on", func(p *Plant) { p.Key(true) }),
		at(3, "crank", func(p *Plant) { p.Crank(true) }),
		at(7, "starter released", func(p *Plant) { p.Crank(false) }),
		onPhase(20, 0, 5e3),
		onPhase(45, 1, 6e3),
		onPhase(70, 2, 5e3),
		onAll(95, 28e3, 0.95),
		onAll(120, 36e3, 0.95),
		onAll(145, 20e3, 0.95),
		onAll(170, 0, 1),
		at(195, "key off", func(p *Plant) { p.Key(false) }),
	}, 230 * time.Second
}

// Player carries a script out on a plant.
type Player struct {
	plant   *Plant
	script  []Action
	length  time.Duration
	repeat  bool
	elapsed time.Duration // in this turn of the script
	next    int
}

// NewPlayer makes a player of a script in order of time. With repeat the
// script starts again after its length.
func NewPlayer(p *Plant, script []Action, length time.Duration, repeat bool) *Player {
	return &Player{plant: p, script: script, length: length, repeat: repeat}
}

// Advance lets dt pass, doing each action exactly when it is due, and returns
// the actions done.
func (r *Player) Advance(dt time.Duration) (done []Action) {
	end := r.elapsed + dt
	for {
		done = append(done, r.due(min(end, r.length))...)
		if !r.repeat || end < r.length {
			break
		}
		r.step(r.length - r.elapsed)
		end -= r.length
		r.elapsed, r.next = 0, 0
	}
	r.step(end - r.elapsed)
	return done
}

// Done reports whether a script that does not repeat is over.
func (r *Player) Done() bool { return !r.repeat && r.elapsed >= r.length }

func (r *Player) due(until time.Duration) (done []Action) {
	for r.next < len(r.script) && r.script[r.next].At <= until {
		a := r.script[r.next]
		r.step(a.At - r.elapsed)
		a.Do(r.plant)
		done = append(done, a)
		r.next++
	}
	return done
}

func (r *Player) step(dt time.Duration) {
	r.plant.Step(dt)
	r.elapsed += dt
}
