package alarms

import (
	"bufio"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

var update = flag.Bool("update", false, "record the scenarios' output anew")

// Scenarios are text: each line is a command, and the lines under it that
// start with "> " are what came of it, recorded with -update.
func TestScenariosPlayAsRecorded(t *testing.T) {
	files, err := filepath.Glob("../testdata/alarms/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no scenarios found: %v", err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			was, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if !strings.HasPrefix(string(was), "# Proves") {
				t.Error("the scenario does not open with what it proves")
			}
			is := play(t, string(was))
			if *update {
				err = os.WriteFile(file, []byte(is), 0o666)
			} else if is != string(was) {
				t.Errorf("played otherwise than recorded; now:\n%s", is)
			}
			if err != nil {
				t.Fatal(err)
			}
		})
	}
}

func play(t *testing.T, text string) string {
	s := &stage{t: t, boot: 1}
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
}

func (s *stage) do(line string) []string {
	f := strings.Fields(line)
	if f[0] == "rule" || f[0] == "standard" {
		s.declare(f)
		return nil
	}
	if s.machine == nil {
		s.machine = New(s.rules)
	}
	switch f[0] {
	case "at":
		return s.tell(s.machine.Step(s.scan(s.time(f[1]), f[2:])))
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
		s.rules = append(s.rules, hatchery()...)
		return
	}
	r := model.AlarmRule{ID: f[1], Label: f[1], Priority: model.Warning, Action: "look"}
	for _, word := range f[2:] {
		s.set(&r, word)
	}
	s.rules = append(s.rules, r)
}

func (s *stage) set(r *model.AlarmRule, word string) {
	key, value, _ := strings.Cut(word, "=")
	switch key {
	case "critical":
		r.Priority = model.Critical
	case "latch":
		r.Latch = true
	case "goodonce":
		r.GoodOnce = true
	case "perspeed":
		r.PerSpeed = true
	case "poles":
		r.Poles = int(s.number(value))
	case "kind":
		r.Kind = map[string]model.AlarmKind{"below": model.BelowLimit, "above": model.AboveLimit, "rising": model.RisingFaster,
			"falling": model.FallingFaster, "outside": model.OutsideBand, "lost": model.DeviceLost, "failed": model.PointFailed,
			"swings": model.SwingsMore, "jumps": model.JumpsFaster, "stuck": model.StuckFor, "moves": model.NeverMoves}[value]
	case "point":
		r.Point = model.PointID(value)
	case "device":
		r.Device = value
	case "limit":
		r.Limit = s.number(value)
	case "low":
		r.Low = s.number(value)
	case "deadband":
		r.Deadband = s.number(value)
	case "window":
		r.Window = s.duration(value)
	case "on":
		r.OnDelay = s.duration(value)
	case "off":
		r.OffDelay = s.duration(value)
	case "remind":
		r.Remind = s.duration(value)
	case "whileabove", "whilebelow":
		point, limit, _ := strings.Cut(value, ">")
		r.While = model.AlarmCondition{Point: model.PointID(point), Below: key == "whilebelow", Limit: s.number(limit)}
	case "steady":
		point, within, _ := strings.Cut(value, "+-")
		r.Steady, r.SteadyWithin = model.PointID(point), s.number(within)
	case "armdelay":
		r.ArmDelay = s.duration(value)
	case "arm":
		for name := range strings.SplitSeq(value, ",") {
			r.ArmedIn = append(r.ArmedIn, s.engine(name))
		}
	default:
		s.t.Fatalf("rule %s: no such word %q", r.ID, word)
	}
}

func (s *stage) engine(name string) model.EngineState {
	e, ok := model.EngineStateNamed(strings.ReplaceAll(name, "-", " "))
	if !ok {
		s.t.Fatalf("no engine state %q", name)
	}
	return e
}

// scan reads words such as oil.pressure=3e5, engine=idling, speed=bad:no-answer.
func (s *stage) scan(at model.Instant, words []string) *model.Scan {
	scan := &model.Scan{Group: "test/1s", At: at}
	for _, w := range words {
		name, value, _ := strings.Cut(w, "=")
		p := model.PointID(name)
		cause, bad := strings.CutPrefix(value, "bad:")
		switch {
		case name == "engine":
			scan.Samples = append(scan.Samples, model.GoodSample(model.EngineStatePoint, float64(s.engine(value))))
		case bad:
			scan.Samples = append(scan.Samples, model.BadSample(p, s.cause(cause)))
		default:
			scan.Samples = append(scan.Samples, model.GoodSample(p, s.number(value)))
		}
	}
	return scan
}

func (s *stage) cause(name string) model.Cause {
	for c := model.NotPolledYet; c <= model.Stale; c++ {
		if c.String() == strings.ReplaceAll(name, "-", " ") {
			return c
		}
	}
	s.t.Fatalf("no cause %q", name)
	return model.NoCause
}

func (s *stage) repeat(every, from, to time.Duration, words []string) []string {
	var said []string
	for at := from; at <= to; at += every {
		said = append(said, s.tell(s.machine.Step(s.scan(model.Instant{Boot: s.boot, Offset: at}, words)))...)
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
		events, err = s.machine.Acknowledge(rule, who, "", at)
	case "shelve":
		events, err = s.machine.Shelve(rule, who, "repair", at.Add(s.duration(f[6])), at)
	case "unshelve":
		events, err = s.machine.Unshelve(rule, who, "", at)
	case "out":
		events, err = s.machine.OutOfService(rule, who, "repair", at)
	case "in":
		events, err = s.machine.InService(rule, who, "", at)
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
		text := fmt.Sprintf("%s %s: %s", e.At, e.Rule, e.To)
		switch {
		case e.Unwatched:
			text = fmt.Sprintf("%s %s: UNWATCHED", e.At, e.Rule)
		case e.From == e.To && e.Who == "":
			text = fmt.Sprintf("%s %s: sight", e.At, e.Rule)
		case e.To == model.AlarmUnacknowledged:
			text += fmt.Sprintf(" %s, %.6g against %.6g", e.Priority, e.Value, e.Limit)
		}
		if e.FirstOut {
			text += ", first out"
		}
		if e.Flood {
			text += ", in a flood"
		}
		if len(e.Also) > 0 {
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

func (s *stage) status() []string {
	var said []string
	for _, a := range s.machine.Status() {
		text := fmt.Sprintf("%s %s: %s since %s, watching %v", a.Rule.Priority, a.Rule.ID, a.State, a.Since, a.Watching)
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

func (s *stage) time(text string) model.Instant {
	return model.Instant{Boot: s.boot, Offset: s.duration(text)}
}

func (s *stage) duration(text string) time.Duration {
	d, err := time.ParseDuration(text)
	if err != nil {
		s.t.Fatal(err)
	}
	return d
}

func (s *stage) number(text string) float64 {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		s.t.Fatal(err)
	}
	return v
}

// hatchery is the standard rule set of the demonstration's set with a few
// points, and those given.
func hatchery(more ...model.PointID) []model.AlarmRule {
	points := map[model.PointID]model.Point{}
	ids := slices.Concat(model.PhaseVoltages[:], model.PhaseCurrents[:], []model.PointID{model.FrequencyPoint,
		model.OilPressure, model.CoolantTemperature, model.BatteryVoltage, model.SpeedPoint, model.ChargeLamp}, more)
	for _, id := range ids {
		points[id] = model.Point{ID: id}
	}
	rating := model.Rating{Name: "fish hatchery standby set", ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400,
		Frequency: 50, Poles: 4, Battery: 12}
	return Standard(rating, points, []model.Device{{Name: "engine"}, {Name: "meter", PoweredBySet: true}})
}
