package alarms

import (
	"bufio"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/model"
	"tickover/testdata/golden"
)

// Scenarios are text: each line is a command, and the lines under it that
// start with "> " are what came of it, recorded with -update. Of the standard
// rules only what is news to a person is told.
func TestScenariosPlayAsRecorded(t *testing.T) {
	files, err := filepath.Glob("../testdata/alarms/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no scenarios found: %v", err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			text := golden.Text(t, file)
			if !strings.HasPrefix(text, "# Proves") {
				t.Error("the scenario does not open with what it proves")
			}
			golden.Holds(t, file, newStage(t).play(text))
		})
	}
}

func newStage(t *testing.T) *stage {
	return &stage{t: t, boot: 1, step: time.Second, held: map[model.PointID]reading{}}
}

// play returns the text with what came of each line now.
func (s *stage) play(text string) string {
	var out strings.Builder
	lines := bufio.NewScanner(strings.NewReader(text))
	for lines.Scan() {
		line := lines.Text()
		if strings.HasPrefix(line, "> ") {
			continue
		}
		fmt.Fprintln(&out, line)
		if line != "" && line[0] != '#' {
			for _, said := range s.do(line) {
				fmt.Fprintln(&out, "> "+said)
			}
		}
	}
	return out.String()
}

// stage plays one scenario.
type stage struct {
	t       *testing.T
	rules   []model.AlarmRule
	machine *Machine
	boot    uint32
	journal []model.AlarmEvent
	calm    bool // what is no news to a person is not told

	step, now time.Duration // of the lines that begin with until
	turn      int           // scans those lines played
	held      map[model.PointID]reading
	spoil     func(*model.Sample) bool // changes a sample of those lines; false leaves it out
}

func (s *stage) do(line string) []string {
	f := strings.Fields(line)
	switch f[0] {
	case "rule", "standard":
		s.declare(f)
		return nil
	case "set", "expect": // of a case, which has them read already
		return nil
	}
	if s.machine == nil {
		s.machine = New(s.rules)
	}
	switch f[0] {
	case "at":
		return s.tell(s.machine.Step(s.scan(s.time(f[1]), f[2:])))
	case "poll":
		s.step = s.duration(f[1])
		return nil
	case "until":
		return s.until(s.duration(f[1]), f[2:])
	case "every":
		return s.repeat(s.duration(f[1]), s.duration(f[3]), s.duration(f[5]), f[6:])
	case "device":
		return s.tell(s.machine.Device(s.time(f[1]), f[2], f[3] == "up"))
	case "boot":
		s.boot++
		return nil
	case "restart":
		s.machine = New(s.rules)
		s.machine.Replay(s.journal)
		return nil
	case "status":
		return s.status()
	}
	return s.person(f)
}

func (s *stage) declare(f []string) {
	if f[0] == "standard" {
		s.rules, s.calm = append(s.rules, hatchery()...), true
		return
	}
	r := model.AlarmRule{ID: f[1], Label: f[1], Priority: model.Warning, Action: "look"}
	for _, word := range f[2:] {
		s.set(&r, word)
	}
	s.rules = append(s.rules, r)
}

func (s *stage) repeat(every, from, to time.Duration, words []string) []string {
	var said []string
	for at := from; at <= to; at += every {
		said = append(said,
			s.tell(s.machine.Step(s.scan(model.Instant{Boot: s.boot, Offset: at}, words)))...)
	}
	return said
}

// person plays lines such as "ack 12s oil.low by Ada", "shelve 12s oil.low by Ada for 1h".
func (s *stage) person(f []string) []string {
	at, rule, who := s.time(f[1]), f[2], f[4]
	var events []model.AlarmEvent
	var err error
	switch f[0] {
	case "ack":
		events, err = s.machine.acknowledge(rule, who, "", at)
	case "reset":
		events, err = s.machine.Act(model.AlarmAct{Verb: model.Reset, Rule: rule, Who: who}, at)
	case "shelve":
		events, err = s.machine.shelve(rule, who, "repair", at.Add(s.duration(f[6])), at)
	case "unshelve":
		events, err = s.machine.unshelve(rule, who, "", at)
	case "out":
		events, err = s.machine.takeOutOfService(rule, who, "repair", at)
	case "in":
		events, err = s.machine.returnToService(rule, who, "", at)
	default:
		s.t.Fatalf("no such command %q", f[0])
	}
	if err != nil {
		return []string{"refused: " + err.Error()}
	}
	return s.tell(events)
}

func (s *stage) tell(events []model.AlarmEvent) []string {
	s.journal = append(s.journal, events...)
	var said []string
	for _, e := range events {
		if s.calm && e.Quiet() {
			continue
		}
		text := fmt.Sprintf("%s %s: %s", e.At, e.Rule, e.To)
		switch {
		case e.Unwatched:
			text = fmt.Sprintf("%s %s: UNWATCHED", e.At, e.Rule)
		case e.From == e.To && e.Who == "":
			text = fmt.Sprintf("%s %s: sight", e.At, e.Rule)
		case e.To == model.AlarmUnacknowledged:
			text += " " + e.Priority.String()
			if e.Quality == model.Good {
				text += ", " + shown(e.Quantity, e.Value) + " against " + shown(e.Quantity, e.Limit)
			}
		}
		if e.FirstOut {
			text += ", first out"
		}
		switch {
		case e.Under != "" && e.To == model.AlarmUnacknowledged:
			text += ", under " + e.Under
		case e.Alone:
			text = fmt.Sprintf("%s %s: alone", e.At, e.Rule)
		}
		if e.Flood {
			text += ", in a flood"
		}
		switch {
		case s.calm && len(e.Also) > 3:
			text += fmt.Sprintf(" and %d more", len(e.Also))
		case len(e.Also) > 0:
			text += " and " + strings.Join(e.Also, " ")
		}
		if e.Who != "" {
			text += ", by " + e.Who
		}
		if e.Why != "" {
			text += " (" + e.Why + ")"
		}
		said = append(said, text)
	}
	return said
}

func shown(q model.Quantity, v float64) string {
	if q == model.NoQuantity || q == model.State || q == model.Count {
		return fmt.Sprintf("%.6g", v)
	}
	return q.ShowWithUnit(v)
}

func (s *stage) status() []string {
	var said []string
	for _, a := range s.machine.Status() {
		text := fmt.Sprintf("%s %s: %s since %s, watching %v", a.Rule.Priority, a.Rule.ID, a.State,
			a.Since, a.Watching)
		if a.Why != "" {
			text += " (" + a.Why + ")"
		}
		if a.Unwatched > 0 {
			text += fmt.Sprintf(", unwatched %s", a.Unwatched)
		}
		said = append(said, text)
	}
	return said
}

// hatchery is the standard rule set of the demonstration's set with a few
// points, and those given.
func hatchery(more ...model.PointID) []model.AlarmRule {
	return rulesOf(slices.Concat(model.PhaseVoltages[:], model.PhaseCurrents[:], engineGauges(),
		more)...)
}

func engineGauges() []model.PointID {
	return []model.PointID{model.FrequencyPoint, model.OilPressure, model.CoolantTemperature,
		model.BatteryVoltage, model.SpeedPoint, model.ChargeLamp}
}

// rulesOf are the standard rules of the demonstration's set with the points given.
func rulesOf(ids ...model.PointID) []model.AlarmRule {
	return rulesFor(rated, ids...)
}

// rated is the nameplate of the demonstration's set.
var rated = model.Rating{Name: "fish hatchery standby set", ApparentPower: 50e3, PowerFactor: 0.8,
	Voltage:   400,
	Frequency: 50, Poles: 4, Battery: 12}

// rulesFor are the standard rules of a set with the points given.
func rulesFor(rating model.Rating, ids ...model.PointID) []model.AlarmRule {
	points := map[model.PointID]model.Point{}
	for _, id := range ids {
		points[id] = model.Point{ID: id}
	}
	return Standard(rating, points, []model.Device{{Name: "engine"},
		{Name: "meter", PoweredBySet: true}})
}
