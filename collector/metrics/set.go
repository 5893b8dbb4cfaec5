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
}

// set is the generating set's metrics.
type set struct {
	points map[model.PointID]place
	all    []*prometheus.Desc

	engine, alarmState, active, awaits, watching, unwatched, firstOut series
	plate, ratedPower, ratedVoltage, ratedFrequency                   series
}

func newSet(points map[model.PointID]model.Point) set {
	s := set{
		points:         map[model.PointID]place{},
		engine:         gauge("genset_engine_state", "1 for the state the engine is in, by vote of several signals.", "state"),
		alarmState:     gauge("genset_alarm_state", "1 for the IEC 62682 state the alarm is in; other states are left out.", "alarm", "priority", "state"),
		active:         gauge("genset_alarm_active", "1 while the alarm's condition stands or is latched.", "alarm", "priority"),
		awaits:         gauge("genset_alarm_awaits_person", "1 while nobody has acknowledged the alarm.", "alarm", "priority"),
		watching:       gauge("genset_alarm_watching", "1 while the alarm is armed and has an input to judge by.", "alarm", "priority"),
		firstOut:       gauge("genset_alarm_first_out", "1 for the alarm that came first of its group.", "alarm", "priority"),
		unwatched:      counter("genset_alarm_unwatched_seconds_total", "Time the alarm was armed without an input to judge by.", "alarm", "priority"),
		plate:          gauge("genset_info", "The set, always 1.", "name", "site", "class"),
		ratedPower:     gauge("genset_rated_apparent_power_voltamperes", "Rated apparent power."),
		ratedVoltage:   gauge("genset_rated_voltage_volts", "Rated voltage between two phases."),
		ratedFrequency: gauge("genset_rated_frequency_hertz", "Rated frequency."),
	}
	for _, one := range []series{s.engine, s.alarmState, s.active, s.awaits, s.watching, s.firstOut, s.unwatched, s.plate,
		s.ratedPower, s.ratedVoltage, s.ratedFrequency} {
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
	for id, value := range m.points {
		p := place{series: to, scale: 1}
		if m.label != "" {
			p.labels = []string{value}
		}
		s.points[id] = p
	}
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
			s.points[id] = place{to, []string{string(id)}, byQuantity()[p.Quantity].scale}
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

// state shows the engine's state, every name once so that a query finds 0.
func (s *set) state(send sender, snap *model.Snapshot) {
	for _, e := range model.EngineStates() {
		send.truth(s.engine, snap.State == e, e.String())
	}
}

func (s *set) alarms(send sender, all []model.AlarmStatus) {
	for _, a := range all {
		id, priority := a.Rule.ID, a.Rule.Priority.String()
		send.value(s.alarmState, 1, id, priority, a.State.String())
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
