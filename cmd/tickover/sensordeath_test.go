package main

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/alarms"
	"tickover/cmd/tickover/record"
	"tickover/collector"
	"tickover/collector/slave"
	"tickover/config"
	"tickover/model"
	"tickover/model/electrical"
	"tickover/model/plant"
	"tickover/model/running"
	"tickover/model/transducer"
)

// roundOf is what one round over a device's group found on the wire.
type roundOf struct {
	device string
	scan   model.Scan
}

// The moments of a start that is played for every death of a sensor.
const (
	deathAt     = 80 * time.Second // loaded for a minute
	deathLasts  = 40 * time.Second
	deathUnseen = 15 * time.Second
)

// loadedStart polls the demonstration's devices, as they are configured,
// through a start and a first load.
func loadedStart(t *testing.T, setup *model.Setup) []roundOf {
	t.Helper()
	bank := &slave.Registers{}
	fillChains(bank, setup.Devices)
	p := plant.New(demoSeed, setup.Rating)
	script, _ := plant.LiveLoop()
	script = append(script[:4:4], plant.Action{At: 20 * time.Second, Do: func(p *plant.Plant) { p.LoadAll(20e3, 0.95) }})
	player := plant.NewPlayer(p, script, deathAt+deathLasts, false)
	read := func(q model.ReadRequest) (model.Answer, error) {
		words, exception := bank.Read(q.Unit, q.Table, q.Address, q.Count)
		if exception != 0 {
			return model.Answer{}, &model.ReadError{Cause: model.DeviceException, Exception: exception, Request: q.String()}
		}
		return model.Answer{Words: words}, nil
	}
	var all []roundOf
	for at := time.Duration(0); !player.Done(); at += pastStep {
		instruments(bank, setup, p)
		now := func() model.Instant { return model.Instant{Boot: 1, Offset: at} }
		for _, l := range setup.Lines {
			for _, g := range collector.Groups(l, setup.Devices) {
				if at%g.Every == 0 {
					scan, _, _ := g.Scan(now(), now, read)
					all = append(all, roundOf{g.Device.Name, *scan})
				}
			}
		}
		player.Advance(pastStep)
	}
	return all
}

// death is one way for readings to end.
type death struct {
	name  string
	takes func(device string, p model.PointID) bool
	cause model.Cause // Stale: the rounds no longer come at all
	mute  bool        // the whole unit does not answer
}

// deaths lists every sensor and every unit of the configuration with each way
// to die. What is polled together goes stale together.
func deaths(setup *model.Setup) (all []death) {
	for _, d := range setup.Devices {
		groups := map[time.Duration][]model.PointID{}
		for _, p := range d.Points {
			one := func(_ string, id model.PointID) bool { return id == p.ID }
			all = append(all, death{string(p.ID) + " failed", one, model.SensorFailed, false})
			groups[p.Every] = append(groups[p.Every], p.ID)
		}
		for every, points := range groups {
			group := func(_ string, id model.PointID) bool { return slices.Contains(points, id) }
			all = append(all, death{fmt.Sprintf("%s every %s stale", d.Name, every), group, model.Stale, false})
		}
		unit := func(device string, _ model.PointID) bool { return device == d.Name }
		all = append(all, death{"unit " + d.Name + " silent", unit, model.NoAnswer, true})
	}
	return all
}

// afterDeath is what the alarms said of one death.
type afterDeath struct {
	watched map[string]model.AlarmRule // just before it
	deaf    map[string]time.Duration   // when it was called unwatched
	told    []string
}

func (d death) play(setup *model.Setup, start []roundOf) afterDeath {
	machine, engine := alarms.New(record.Rules(*setup)), running.New(setup.Rating)
	out := afterDeath{watched: map[string]model.AlarmRule{}, deaf: map[string]time.Duration{}}
	for _, r := range start {
		scan := r.scan
		dead := scan.At.Offset >= deathAt
		scan.Samples = slices.Clone(r.scan.Samples)
		for i, s := range scan.Samples {
			if dead && d.takes(r.device, s.Point) {
				scan.Samples[i] = model.BadSample(s.Point, d.cause)
			}
		}
		if dead && len(out.watched) == 0 {
			for _, a := range machine.Status() {
				if a.Watching {
					out.watched[a.Rule.ID] = a.Rule
				}
			}
		}
		if dead && d.cause == model.Stale && d.takes(r.device, scan.Samples[0].Point) {
			continue
		}
		events := machine.Device(scan.At, r.device, !(d.mute && d.takes(r.device, "") && scan.At.Offset > deathAt+2*time.Second))
		transducer.Sense(setup.Sensed, &scan)
		electrical.Derive(setup.Rating, electrical.VoltageGain(nil, setup.Rating), &scan)
		engine.Derive(&scan)
		for _, e := range append(events, machine.Step(&scan)...) {
			out.take(e)
		}
	}
	return out
}

func (a *afterDeath) take(e model.AlarmEvent) {
	switch took := e.At.Offset - deathAt; {
	case took < 0:
	case e.Unwatched:
		for _, id := range append([]string{e.Rule}, e.Also...) {
			a.deaf[id] = took
		}
	case e.To == model.AlarmUnacknowledged && e.From != e.To:
		a.told = append(a.told, e.Rule)
	}
}

// Every sensor of the demonstration's set, killed in each way while the set
// carries load: each alarm that watched by it is called unwatched within 15 s,
// none is forgotten, no other is, somebody is told, and nothing is said of the
// process that cannot be seen.
func TestEverySensorKilledInTurnLeavesItsAlarmsUnwatched(t *testing.T) {
	t.Parallel()
	cfg, err := config.Parse("demo.yaml", demoConfig)
	if err != nil {
		t.Fatal(err)
	}
	setup := &cfg.Setup
	start := loadedStart(t, setup)
	judged := map[string]bool{}
	for _, d := range deaths(setup) {
		got := d.play(setup, start)
		if len(got.watched) < 50 {
			t.Fatalf("%s: only %d alarms watched before it", d.name, len(got.watched))
		}
		for id, r := range got.watched {
			took, deaf := got.deaf[id]
			blinded := d.blinds(setup, r)
			switch {
			case blinded && !deaf:
				t.Errorf("%s: %s is not called unwatched", d.name, id)
			case blinded && took > deathUnseen:
				t.Errorf("%s: %s is called unwatched only after %s", d.name, id, took)
			case !blinded && deaf:
				t.Errorf("%s: %s is called unwatched, which still sees", d.name, id)
			}
			judged[id] = judged[id] || blinded
		}
		d.checkTold(t, got)
	}
	t.Logf("%d deaths; %d alarms lost their sight in one or more", len(deaths(setup)), len(judged))
}

// inputsOf are the measured points that a rule needs, all of them.
func inputsOf(setup *model.Setup, r model.AlarmRule) (needs []model.PointID) {
	derived := map[model.PointID][]model.PointID{
		model.LoadRatio:           {model.PowerActive},
		model.LoadApparentRatio:   {model.CurrentL1, model.CurrentL2, model.CurrentL3},
		model.NegativeCurrent:     {model.CurrentL1, model.CurrentL2, model.CurrentL3},
		model.NeutralEstimate:     {model.CurrentL1, model.CurrentL2, model.CurrentL3},
		model.VoltsPerHertzRatio:  {model.VoltageL1N, model.VoltageL2N, model.VoltageL3N, model.FrequencyPoint},
		model.ZeroSequenceVoltage: {model.VoltageL1N, model.VoltageL2N, model.VoltageL3N, model.VoltageL12, model.VoltageL23, model.VoltageL31},
	}
	derived[model.VoltageUnbalance] = model.LineVoltages[:]
	derived[model.NeutralSuspect] = derived[model.ZeroSequenceVoltage]
	for _, p := range append(slices.Clone(r.Points), r.Point, r.While.Point, r.Steady) {
		known, worked := derived[p]
		i := slices.IndexFunc(setup.Sensed, func(s model.Point) bool { return s.ID == p })
		switch {
		case p == "":
		case worked:
			needs = append(needs, known...)
		case i >= 0:
			needs = append(needs, setup.Sensed[i].Sensor.Raw)
		default:
			needs = append(needs, p)
		}
	}
	return needs
}

// blinds reports whether the death takes an input of a rule. That a sensor
// failed is what a failure rule is there to see.
func (d death) blinds(setup *model.Setup, r model.AlarmRule) bool {
	if r.Kind == model.DeviceLost || r.Kind == model.PointFailed && strings.HasSuffix(d.name, " failed") {
		return false
	}
	device := map[model.PointID]string{}
	for _, dev := range setup.Devices {
		for _, p := range dev.Points {
			device[p.ID] = dev.Name
		}
	}
	// Either instrument alone shows whether the engine is at rest.
	if r.While.Point == model.EngineAtRest {
		oil := slices.IndexFunc(setup.Sensed, func(s model.Point) bool { return s.ID == model.OilPressure })
		raw := model.OilPressure
		if oil >= 0 {
			raw = setup.Sensed[oil].Sensor.Raw
		}
		if d.takes(device[model.SpeedPoint], model.SpeedPoint) && d.takes(device[raw], raw) {
			return true
		}
		r.While = model.AlarmCondition{}
	}
	return slices.ContainsFunc(inputsOf(setup, r), func(p model.PointID) bool { return device[p] != "" && d.takes(device[p], p) })
}

// checkTold wants somebody told of the death, and nothing else.
func (d death) checkTold(t *testing.T, got afterDeath) {
	t.Helper()
	about := func(rule string) bool {
		return strings.HasSuffix(rule, ".failed") || strings.HasPrefix(rule, "alarms.") || strings.HasPrefix(rule, "device.") || rule == "engine.blind"
	}
	if len(got.deaf) > 0 && !slices.ContainsFunc(got.told, about) {
		t.Errorf("%s: nobody is told; told: %v", d.name, got.told)
	}
	for _, rule := range got.told {
		if !about(rule) {
			t.Errorf("%s: told of %s, which nobody can see", d.name, rule)
		}
	}
	if d.mute && !slices.ContainsFunc(got.told, func(r string) bool { return strings.HasPrefix(r, "device.") }) {
		t.Errorf("%s: the unit is not told to be lost: %s", d.name, fmt.Sprint(got.told))
	}
}
