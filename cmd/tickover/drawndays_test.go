package main_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"tickover/alarms"
	"tickover/model"
	"tickover/model/electrical"
	"tickover/model/running"
	"tickover/testdata/days"
)

// drawnDay takes a day of a drawn set the way a daemon does: devices polled at
// their own times, derivation, engine state, alarms.
type drawnDay struct {
	*days.Day
	engine  *running.Engine
	machine *alarms.Machine
	gain    float64
	due     []time.Duration // of each device
	silent  []int
	events  []model.AlarmEvent
	state   map[model.EngineState]bool // that were come to
	reached time.Duration              // when the truth was beyond; 0 means never
	beyond  func(*days.Day) bool
}

func watched(d *days.Day) *drawnDay {
	var devices []model.Device
	for _, dev := range d.Devices {
		m := model.Device{Name: dev.Name, Line: "skid", PoweredBySet: dev.SetFed, Every: dev.Every}
		for _, p := range dev.Points {
			m.Points = append(m.Points, model.Point{ID: p, Device: dev.Name})
		}
		devices = append(devices, m)
	}
	return &drawnDay{Day: d, engine: running.New(d.Rating), gain: electrical.VoltageGain(nil, d.Rating), machine: alarms.New(alarms.Standard(d.Rating, d.Points(), devices)),
		due: make([]time.Duration, len(devices)), silent: make([]int, len(devices)), state: map[model.EngineState]bool{}}
}

func (w *drawnDay) play() []model.AlarmEvent {
	for i := range w.due {
		w.due[i] = time.Duration(137*(i+1)) * time.Millisecond
	}
	for w.Now < w.Length {
		w.Advance(w.Now + days.Tick)
		if w.beyond != nil && w.reached == 0 && w.beyond(w.Day) {
			w.reached = w.Now
		}
		for i, dev := range w.Devices {
			if w.Now >= w.due[i] {
				w.due[i] += dev.Every
				w.poll(i, dev)
			}
		}
	}
	return w.events
}

func (w *drawnDay) poll(i int, dev days.Device) {
	scan := &model.Scan{Group: dev.Name + "/1s", At: model.Instant{Boot: 1, Offset: w.Now + time.Duration(i)*time.Millisecond}}
	answers := w.Answers(dev)
	for _, p := range dev.Points {
		switch v, ok := w.Read(p); {
		case !answers:
			scan.Samples = append(scan.Samples, model.BadSample(p, model.NoAnswer))
		case !ok:
			scan.Samples = append(scan.Samples, model.BadSample(p, model.SensorFailed))
		default:
			scan.Samples = append(scan.Samples, model.GoodSample(p, v))
		}
	}
	if w.silent[i]++; answers {
		w.silent[i] = 0
	}
	w.events = append(w.events, w.machine.Device(scan.At, dev.Name, w.silent[i] < 3)...)
	electrical.Derive(w.Rating, w.gain, scan)
	w.engine.Derive(scan)
	state, _ := w.engine.State()
	w.state[state] = true
	w.events = append(w.events, w.machine.Step(scan)...)
}

// announced are the raisings that a person hears of: more than information, and
// not shown under another alarm.
func announced(events []model.AlarmEvent) []model.AlarmEvent {
	return slices.DeleteFunc(slices.Clone(events), func(e model.AlarmEvent) bool { return !e.Announced() && !e.Alone })
}

func describe(s *days.Set) string {
	said := fmt.Sprintf("%s %.0f kVA %g Hz %g V %d poles battery %g V card %+v, step %+v", s.Rating.Class, s.Rating.ApparentPower/1000, s.Rating.Frequency,
		s.Rating.Voltage, s.Rating.Poles, s.Rating.Battery, s.Rating.Card, s.Step)
	for _, d := range s.Devices {
		said += fmt.Sprintf("\n  %s every %s, fed by the set %v: %v", d.Name, d.Every, d.SetFed, d.Points)
	}
	return said
}

// Sorts of ordinary days that alarms are known to cry wolf in.
func TestEverySortOfOrdinaryDayRaisesNoAlarm(t *testing.T) {
	t.Parallel()
	for _, sort := range days.Sorts() {
		t.Run(sort.Name, func(t *testing.T) {
			for seed := uint64(1); seed <= 8; seed++ {
				w := watched(sort.Plan(seed))
				about := describe(w.Set)
				for _, e := range announced(w.play()) {
					t.Errorf("day %d at %s, engine %s: %s %s: %s\n%s", seed, e.At, e.Engine, e.Priority, e.Rule, e.Words(), about)
				}
				if !sort.Came(w.Day) {
					t.Errorf("day %d never came to what makes it hard: its quiet proves nothing\n%s", seed, about)
				}
			}
		})
	}
}

// Days of sets drawn at random, inside what their class and card permit: no
// alarm beyond information.
func TestTwoHundredOrdinaryDaysRaiseNoAlarm(t *testing.T) {
	t.Parallel()
	quiet := 0
	for seed := uint64(1); seed <= 200; seed++ {
		s := days.DrawSet(rand.New(rand.NewPCG(seed, 0)))
		w := watched(days.Ordinary(s, seed))
		events := announced(w.play())
		if !w.state[model.Loaded] || !w.state[model.Standstill] {
			t.Errorf("day %d never came under load: its quiet proves nothing\n%s", seed, describe(s))
		}
		if len(events) == 0 {
			quiet++
			continue
		}
		t.Errorf("day %d: %s", seed, describe(s))
		for _, e := range events {
			t.Errorf("  at %s, engine %s: %s %s: %s", e.At, e.Engine, e.Priority, e.Rule, e.Words())
		}
	}
	t.Logf("%d of 200 days without an alarm", quiet)
}
