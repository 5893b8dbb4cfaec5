package metrics

import (
	"math"

	"github.com/prometheus/client_golang/prometheus"

	"tickover/model"
)

const radiansPerDegree = math.Pi / 180

// place is where a point's value is shown.
type place struct {
	series
	labels []string
	scale  float64
	// low and high show the extremes; nil for a point without.
	low, high *series
}

// set is the generating set's metrics.
type set struct {
	points map[model.PointID]place
	all    []*prometheus.Desc

	engine, alarmState, active, awaits, watching, unwatched, firstOut series
	plate, ratedPower, ratedVoltage, ratedFrequency                   series
	starts, cranks, ran, loaded                                       series
}

func newSet(points map[model.PointID]model.Point) set {
	s := set{
		points:         map[model.PointID]place{},
		engine:         gauge("genset_engine_state", "1 for the state the engine is in, by vote of several signals.", "state"),
		alarmState:     gauge("genset_alarm_state", "1 for the IEC 62682 state the alarm is in, 0 for the others.", "alarm", "priority", "state"),
		active:         gauge("genset_alarm_active", "1 while the alarm's condition stands or is latched.", "alarm", "priority"),
		awaits:         gauge("genset_alarm_awaits_person", "1 while nobody has acknowledged the alarm.", "alarm", "priority"),
		watching:       gauge("genset_alarm_watching", "1 while the alarm is armed and has an input to judge by.", "alarm", "priority"),
		firstOut:       gauge("genset_alarm_first_out", "1 for the alarm that came first of its group.", "alarm", "priority"),
		unwatched:      counter("genset_alarm_unwatched_seconds_total", "Time the alarm was armed without an input to judge by.", "alarm", "priority"),
		plate:          gauge("genset_info", "The set, always 1.", "name", "site", "class"),
		ratedPower:     gauge("genset_rated_apparent_power_voltamperes", "Rated apparent power."),
		ratedVoltage:   gauge("genset_rated_voltage_volts", "Rated voltage between two phases."),
		ratedFrequency: gauge("genset_rated_frequency_hertz", "Rated frequency."),
		starts:         counter("genset_engine_starts_total", "Starts, from the store's first record on."),
		cranks:         counter("genset_engine_cranks_total", "Cranks, successful or not, from the store's first record on."),
		ran:            counter("genset_engine_run_seconds_total", "Time on own fuel, from the store's first record on; 10 s late, so that no restart takes anything back."),
		loaded:         counter("genset_engine_loaded_seconds_total", "Time under load, from the store's first record on; 10 s late as well."),
	}
	for _, one := range []series{s.engine, s.alarmState, s.active, s.awaits, s.watching, s.firstOut, s.unwatched, s.plate,
		s.ratedPower, s.ratedVoltage, s.ratedFrequency, s.starts, s.cranks, s.ran, s.loaded} {
		s.all = append(s.all, one.desc)
	}
	for _, m := range wellKnown() {
		s.addKnown(m)
	}
	s.addOwn(points)
	return s
}

func (s *set) addKnown(m measured) {
	var labels []string
	if m.label != "" {
		labels = []string{m.label}
	}
	to := gauge(m.name, m.help, labels...)
	if m.counter {
		to = counter(m.name, m.help, labels...)
	}
	s.all = append(s.all, to.desc)
	low, high := s.addExtremes(m, labels)
	for id, value := range m.points {
		p := place{series: to, scale: 1, low: low, high: high}
		if m.label != "" {
			p.labels = []string{value}
		}
		s.points[id] = p
	}
}

// addExtremes describes a metric's lowest and highest; nil when it has none.
func (s *set) addExtremes(m measured, labels []string) (low, high *series) {
	if m.low == "" {
		return nil, nil
	}
	const since = " since the scrape before, over a minute at least; only of a point that is polled fast. "
	least, most := gauge(m.low, "Lowest good value"+since+m.help, labels...), gauge(m.high, "Highest good value"+since+m.help, labels...)
	s.all = append(s.all, least.desc, most.desc)
	return &least, &most
}

// addOwn gives points of the user's own the metric of their quantity.
func (s *set) addOwn(points map[model.PointID]model.Point) {
	made := map[model.Quantity]series{}
	for q, g := range byQuantity() {
		help := "Points of the user's own, by their name: " + q.String() + "."
		made[q] = gauge("genset_point_"+g.suffix, help, "point")
		if g.counter {
			made[q] = counter("genset_point_"+g.suffix, help, "point")
		}
		s.all = append(s.all, made[q].desc)
	}
	for id, p := range points {
		to, ok := made[p.Quantity]
		if _, known := s.points[id]; ok && !known && id != model.EngineStatePoint {
			s.points[id] = place{series: to, labels: []string{string(id)}, scale: byQuantity()[p.Quantity].scale}
		}
	}
}

func (s *set) describe(out chan<- *prometheus.Desc) {
	for _, d := range s.all {
		out <- d
	}
}

func (s *set) reading(send sender, id model.PointID, v float64) {
	if p, ok := s.points[id]; ok {
		send.value(p.series, v*p.scale, p.labels...)
	}
}

// extremes shows lowest and highest of what can dip between two scrapes.
func (s *set) extremes(send sender, e *extremes, now model.Instant) {
	back := e.window(now)
	for id := range e.points {
		p := s.points[id]
		if p.low == nil {
			continue
		}
		if low, high, ok := e.of(id, now, back); ok {
			send.value(*p.low, low*p.scale, p.labels...)
			send.value(*p.high, high*p.scale, p.labels...)
		}
	}
}

func (s *set) totals(send sender, t Totals) {
	send.count(s.starts, t.Starts)
	send.count(s.cranks, t.Cranks)
	send.value(s.ran, t.Running.Seconds())
	send.value(s.loaded, t.Loaded.Seconds())
}

// state shows the engine's state, every name once so that a query finds 0.
func (s *set) state(send sender, snap *model.Snapshot) {
	for _, e := range model.EngineStates() {
		send.truth(s.engine, snap.State == e, e.String())
	}
}

func (s *set) alarms(send sender, all []model.AlarmStatus) {
	for _, a := range all {
		id, priority := a.Rule.ID, a.Rule.Priority.String()
		for _, state := range model.AlarmStates() {
			send.truth(s.alarmState, a.State == state, id, priority, state.String())
		}
		send.truth(s.active, a.State.Active(), id, priority)
		send.truth(s.awaits, a.State.AwaitsPerson(), id, priority)
		send.truth(s.watching, a.Watching, id, priority)
		send.truth(s.firstOut, a.FirstOut, id, priority)
		send.value(s.unwatched, a.Unwatched.Seconds(), id, priority)
	}
}

// nameplate shows what of the rating is given.
func (s *set) nameplate(send sender, r model.Rating) {
	if r != (model.Rating{}) {
		send.value(s.plate, 1, r.Name, r.Site, r.Class)
	}
	for _, given := range []struct {
		to series
		v  float64
	}{{s.ratedPower, r.ApparentPower}, {s.ratedVoltage, r.Voltage}, {s.ratedFrequency, r.Frequency}} {
		if given.v > 0 {
			send.value(given.to, given.v)
		}
	}
}
