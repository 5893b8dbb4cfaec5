package alarms

import (
	"slices"
	"time"

	"tickover/model"
)

// Machine holds the state of every rule. Make one with New.
type Machine struct {
	rules     []*ruleState // most important first, then in the order of the rules
	byID      map[string]*ruleState
	byDevice  map[string][]*ruleState
	inputs    map[model.PointID]*input
	engine    engine
	at        model.Instant // the newest instant seen
	stepped   model.Instant // that of the newest scan
	turn      uint64        // counts scans, to distinguish new samples from old ones
	loading   loading
	raisings  raisings
	flood     *ruleState // the rule that sums up a flood; nil when there is none
	unwatched int        // armed rules without readings, as of the last step
	log       loggedTime
	out       []model.AlarmEvent
}

// New makes a machine in which every rule is normal and nothing has been seen.
// Of two rules with one ID the first is used.
func New(rules []model.AlarmRule) *Machine {
	m := &Machine{
		byID:     map[string]*ruleState{},
		byDevice: map[string][]*ruleState{},
		inputs:   map[model.PointID]*input{},
		engine:   engine{cooled: longCooling},
		log:      newLoggedTime(nil, model.Instant{}),
	}
	m.input(model.EngineStatePoint)
	m.input(model.RunningTime)
	m.loading = loading{ratio: m.input(model.LoadRatio), apparent: m.input(model.LoadApparentRatio),
		negative: m.input(model.NegativeCurrent), permitted: model.AssumedUnbalance}
	for _, p := range []model.PointID{model.SpeedPoint, model.OilPressure, model.OilSwitch,
		model.BatteryVoltage,
		model.CoolantTemperature, model.AmbientTemperature} {
		m.input(p)
	}
	for _, r := range rules {
		if m.byID[r.ID] == nil {
			m.add(r)
		}
	}
	for _, w := range m.rules {
		for _, id := range w.rule.Follows {
			if h := m.byID[id]; h != nil {
				w.follows = append(w.follows, h)
			}
		}
	}
	slices.SortStableFunc(m.rules, func(a, b *ruleState) int {
		return int(b.rule.Priority) - int(a.rule.Priority)
	})
	return m
}

func (m *Machine) add(r model.AlarmRule) {
	q, _ := model.KnownQuantity(r.Point)
	w := &ruleState{rule: r, quantity: r.Measures(q), limit: r.Limit, trace: newTrace(r)}
	if r.Kind == model.DeviceLost {
		m.byDevice[r.Device] = append(m.byDevice[r.Device], w)
	} else {
		w.in = m.input(r.Point)
	}
	if w.trace == nil {
		for _, p := range r.Points {
			w.ins = append(w.ins, m.input(p))
		}
	}
	if r.While.Point != "" {
		w.while = m.input(r.While.Point)
	}
	if r.Point == model.RotorHeat && r.While.Point == model.NegativeCurrent {
		m.loading.permitted = r.While.Limit
	}
	if r.Unless.Point != "" {
		w.unless = m.input(r.Unless.Point)
	}
	if r.Cold != "" {
		w.coldIn = m.input(r.Cold)
	}
	if r.Like != "" {
		w.likeIn, w.like = m.input(r.Like), &learned{}
	}
	if r.Steady != "" {
		w.steadyIn, w.steady = m.input(r.Steady), newSteady(r.Window)
	}
	if r.Point == model.AlarmsRaised && m.flood == nil {
		m.flood = w
	}
	if r.PerSpeed {
		w.speed = m.input(model.SpeedPoint)
		w.frequency = m.input(model.FrequencyPoint)
	}
	m.rules = append(m.rules, w)
	m.byID[r.ID] = w
}

func (m *Machine) input(p model.PointID) *input {
	in := m.inputs[p]
	if in == nil {
		in = &input{point: p}
		m.inputs[p] = in
	}
	return in
}

// Step judges every rule by a scan and returns what changed, most important
// first; nil when nothing did. The scan is read only.
func (m *Machine) Step(scan *model.Scan) []model.AlarmEvent {
	m.advance(scan.At)
	passed := elapsed(m.stepped, m.at)
	m.stepped = m.at
	m.turn++
	for i := range scan.Samples {
		if in := m.inputs[scan.Samples[i].Point]; in != nil {
			in.take(scan.Samples[i], scan.At, m.turn)
		}
	}
	m.engine.take(m.inputs[model.EngineStatePoint], m.inputs[model.RunningTime], m.turn, m.at)
	m.feedComputed(passed)
	for _, w := range m.rules {
		w.step(m)
	}
	m.countUnwatched()
	return m.emitted()
}

// Device records whether a device answers, for the DeviceLost rules, and returns what
// changed.
func (m *Machine) Device(at model.Instant, device string, up bool) []model.AlarmEvent {
	m.advance(at)
	for _, w := range m.byDevice[device] {
		w.reported, w.lost = true, !up
		w.step(m)
	}
	return m.emitted()
}

// Status returns the state of every rule, critical ones first and otherwise in
// the order the rules were given. The slice is new.
func (m *Machine) Status() []model.AlarmStatus {
	all, now := make([]model.AlarmStatus, len(m.rules)), m.log.until(m.at)
	for i, w := range m.rules {
		all[i] = w.status()
		all[i].Chatters, all[i].Stale = w.history.chatters(now), w.history.stale(now)
	}
	return all
}

// advance moves the time on. A line's scan may come a
// little after another line's later one, so time is never moved back within a
// boot.
func (m *Machine) advance(at model.Instant) {
	if m.log.now != at.Boot {
		m.log.turn(m.at, at)
	}
	if at.Boot == m.at.Boot {
		m.at = m.at.Add(elapsed(m.at, at))
		return
	}
	for _, in := range m.inputs {
		in.reboot(at)
	}
	for _, w := range m.rules {
		w.reboot(m.at, at)
	}
	m.engine.reboot()
	m.at = at
}

// emitted hands over what happened. Rules that lost their sight together, or
// have it back together, speak through one of them: a silent device is one
// event and not a dozen.
func (m *Machine) emitted() []model.AlarmEvent {
	var out []model.AlarmEvent
	for _, e := range m.out {
		if !joined(out, e) {
			out = append(out, e)
		}
	}
	m.out = m.out[:0]
	return out
}

func joined(out []model.AlarmEvent, e model.AlarmEvent) bool {
	if e.From != e.To || e.Who != "" {
		return false
	}
	for i := range out {
		o := &out[i]
		if o.From == o.To && o.Who == "" && o.Unwatched == e.Unwatched && o.Why == e.Why &&
			o.Under == e.Under && !e.Alone {
			o.Also = append(o.Also, e.Rule)
			return true
		}
	}
	return false
}

// elapsed is the time from one instant to another, 0 when it is not known or
// negative.
func elapsed(from, to model.Instant) time.Duration {
	d, same := to.Sub(from)
	if !same {
		return 0
	}
	return max(d, 0)
}
