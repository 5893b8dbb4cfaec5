package alarms

import (
	"maps"
	"strconv"
	"strings"
	"time"

	"tickover/model"
)

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
		r.Kind = map[string]model.AlarmKind{"below": model.BelowLimit, "above": model.AboveLimit,
			"rising":  model.RisingFaster,
			"falling": model.FallingFaster, "outside": model.OutsideBand, "lost": model.DeviceLost,
			"failed": model.PointFailed,
			"swings": model.SwingsMore, "jumps": model.JumpsFaster, "stuck": model.StuckFor,
			"moves": model.NeverMoves, "used": model.UsedUpWithin}[value]
	case "point":
		r.Point = model.PointID(value)
	case "device":
		r.Device = value
	case "limit":
		r.Limit = s.value(r.Point, value)
	case "low":
		r.Low = s.value(r.Point, value)
	case "deadband":
		r.Deadband = s.value(r.Point, value)
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
		r.While = model.AlarmCondition{Point: model.PointID(point), Below: key == "whilebelow",
			Limit: s.number(limit)}
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
		p, r := s.reading(w)
		scan.Samples = append(scan.Samples, r.sample(p, 0, 0))
	}
	return scan
}

// reading is what a point shows over a stretch of time.
type reading struct {
	from, to float64 // at the beginning and at the end
	byTurns  bool    // from and to by turns, else a ramp
	cause    model.Cause
}

// reading reads a value with its unit or in the canonical one, a ramp such as
// oil.pressure=3bar..2bar, or two values by turns such as frequency=50Hz~51Hz.
func (s *stage) reading(word string) (model.PointID, reading) {
	name, value, _ := strings.Cut(word, "=")
	p := model.PointID(name)
	if name == "engine" {
		state := float64(s.engine(value))
		return model.EngineStatePoint, reading{from: state, to: state}
	}
	if cause, bad := strings.CutPrefix(value, "bad:"); bad {
		return p, reading{cause: s.cause(cause)}
	}
	from, to, ramp := strings.Cut(value, "..")
	byTurns := false
	if !ramp {
		from, to, byTurns = strings.Cut(value, "~")
	}
	r := reading{from: s.value(p, from), byTurns: byTurns}
	r.to = r.from
	if ramp || byTurns {
		r.to = s.value(p, to)
	}
	return p, r
}

// sample is what a point shows at a share of the stretch, in one of its scans.
func (r reading) sample(p model.PointID, share float64, turn int) model.Sample {
	switch {
	case r.cause != model.NoCause:
		return model.BadSample(p, r.cause)
	case r.byTurns:
		share = float64(turn % 2)
	}
	return model.GoodSample(p, r.from+share*(r.to-r.from))
}

func (s *stage) value(p model.PointID, text string) float64 {
	if v, err := strconv.ParseFloat(text, 64); err == nil {
		return v
	}
	q, _ := model.KnownQuantity(p)
	v, err := model.ParseValue(text, q)
	if err != nil {
		s.t.Fatalf("%s: %v", p, err)
	}
	return v
}

// until plays scans up to a time, not including it. A word that names an
// engine state sets every point to what a healthy set shows in it; every point
// keeps what it shows until a later line says otherwise.
func (s *stage) until(end time.Duration, words []string) []string {
	for _, w := range words {
		if strings.Contains(w, "=") {
			p, r := s.reading(w)
			s.held[p] = r
		} else {
			maps.Copy(s.held, s.healthy(w))
		}
	}
	var said []string
	for from := s.now; s.now < end; s.now += s.step {
		scan := &model.Scan{Group: "test/1s", At: model.Instant{Boot: s.boot, Offset: s.now}}
		for p, r := range s.held {
			sample := r.sample(p, float64(s.now-from)/float64(end-from), s.turn)
			if s.spoil == nil || s.spoil(&sample) {
				scan.Samples = append(scan.Samples, sample)
			}
		}
		said = append(said, s.tell(s.machine.Step(scan))...)
		s.turn++
	}
	return said
}

// healthy is what a healthy set shows in a state. Its sensors move by a last
// digit; contacts do not.
func (s *stage) healthy(state string) map[model.PointID]reading {
	all := map[model.PointID]reading{}
	for _, line := range readings(s.t) {
		p, r := s.reading(line["point"] + "=" + line[state])
		if q, _ := model.KnownQuantity(p); q != model.State {
			r.to, r.byTurns = r.from*1.0005, true
		}
		all[p] = r
	}
	p, r := s.reading("engine=" + state)
	all[p] = r
	return all
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
