package daemon

import (
	"cmp"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"

	"tickover/alarms"
	"tickover/collector/host"
	"tickover/collector/metrics"
	"tickover/collector/store"
	"tickover/model"
	"tickover/model/electrical"
	"tickover/model/running"
	"tickover/model/steady"
	"tickover/model/transducer"
)

// restored is what the store's events say of how things stood.
type restored struct {
	engine  *running.Engine
	state   model.EngineState
	since   model.Instant
	refused []model.RefusedRead
}

// restore gives alarms and engine the state they had when the store was last
// written, so that a restart fires nothing anew, opens no new run and asks no
// device again what it refused. An event that is damaged is told and left out.
func restore(s *store.Store, m *alarms.Machine, h *hours, r model.Rating, log *slog.Logger) (restored, error) {
	var transitions []model.AlarmEvent
	o := restored{engine: running.New(r)}
	for e, err := range s.Events(model.Query{}) {
		switch {
		case errors.Is(err, store.ErrDamaged):
			log.Warn("a damaged event is skipped", "err", err)
		case err != nil:
			return o, fmt.Errorf("read events: %w", err)
		case e.Alarm != nil:
			transitions = append(transitions, *e.Alarm)
		case e.Engine != nil:
			o.state, o.since = e.Engine.To, e.At
			h.add(e)
		case e.Refused != nil:
			o.refused = append(o.refused, *e.Refused)
		}
	}
	m.Replay(transitions, s.Clock().Boots...)
	if !o.since.IsZero() {
		o.engine.Resume(o.state, o.since)
	}
	s.SetBusy(o.state != model.Standstill)
	return o, nil
}

// deriver is the derive step: what the sensors' signals mean, electrical
// figures, the engine's state and whether the set stands steady are appended
// to every scan.
type deriver struct {
	rating model.Rating
	gain   float64 // of the voltage channels
	sensed []model.Point
	engine *running.Engine
	watch  *steady.Monitor
	alarms func() []model.AlarmStatus // as they stood after the scan before
	hours  *hours
	meter  *metrics.Collector
}

func newDeriver(setup model.Setup, engine *running.Engine, alarms func() []model.AlarmStatus, h *hours, m *metrics.Collector) *deriver {
	gain := electrical.VoltageGain(slices.Collect(maps.Values(setup.Points())), setup.Rating)
	return &deriver{setup.Rating, gain, setup.Sensed, engine, steady.NewMonitor(setup.Rating), alarms, h, m}
}

// derive takes one scan through the step.
func (d *deriver) derive(scan *model.Scan) *model.StateChange {
	if scan.Group == host.Group {
		return nil // the computer's own facts say nothing of the set
	}
	transducer.Sense(d.sensed, scan)
	electrical.Derive(d.rating, d.gain, scan)
	change := d.engine.Derive(scan)
	state, _ := d.engine.State()
	d.watch.Step(scan, state, d.active())
	if change != nil {
		d.hours.add(model.Event{At: scan.At, Kind: model.EngineEvent, Engine: change})
	}
	d.meter.Observe(scan)
	return change
}

// active gives the alarms that stand against a next step, in words.
func (d *deriver) active() []string {
	var words []string
	for _, a := range d.alarms() {
		if a.State.Active() && a.Rule.Priority >= model.Warning {
			words = append(words, cmp.Or(a.Rule.Label, a.Rule.ID))
		}
	}
	return words
}
