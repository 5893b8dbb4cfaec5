package main

import (
	"fmt"
	"log/slog"
	"os"
	"slices"

	systemd "github.com/coreos/go-systemd/v22/daemon"

	"tickover/alarms"
	"tickover/collector/store"
	"tickover/model"
	"tickover/model/electrical"
	"tickover/model/running"
)

// rules are the standard alarm rules of the set, each replaced by the user's
// own of the same name, and the user's others.
func rules(setup model.Setup) []model.AlarmRule {
	all := slices.Clone(setup.Alarms)
	for _, r := range alarms.Standard(setup.Rating, setup.Points(), setup.Devices) {
		if !slices.ContainsFunc(setup.Alarms, func(own model.AlarmRule) bool { return own.ID == r.ID }) {
			all = append(all, r)
		}
	}
	return all
}

// restore gives alarms and engine the state they had when the store was last
// written, so that a restart fires nothing anew and opens no new run.
func restore(s *store.Store, m *alarms.Machine, r model.Rating) (*running.Engine, model.EngineState, model.Instant, error) {
	var (
		transitions []model.AlarmEvent
		state       model.EngineState
		since       model.Instant
	)
	for e, err := range s.Events(model.Query{}) {
		switch {
		case err != nil:
			return nil, 0, since, fmt.Errorf("read events: %w", err)
		case e.Alarm != nil:
			transitions = append(transitions, *e.Alarm)
		case e.Engine != nil:
			state, since = e.Engine.To, e.At
		}
	}
	m.Replay(transitions)
	engine := running.New(r)
	if !since.IsZero() {
		engine.Resume(state, since)
	}
	s.SetBusy(state != model.Standstill)
	return engine, state, since, nil
}

// deriver is the derive step: electrical figures and the engine's state are
// appended to every scan.
func deriver(r model.Rating, engine *running.Engine) func(*model.Scan) *model.StateChange {
	return func(scan *model.Scan) *model.StateChange {
		electrical.Derive(r, scan)
		state, change := engine.Step(scan)
		sample := model.GoodSample(model.EngineStatePoint, float64(state))
		if state == model.EngineUnknown {
			sample = model.BadSample(model.EngineStatePoint, model.Undefined)
		}
		scan.Samples = append(scan.Samples, sample)
		return change
	}
}

// notifyReady tells the service manager, if there is one, that polling began.
func notifyReady(log *slog.Logger) {
	if os.Getenv("NOTIFY_SOCKET") == "" {
		return
	}
	if _, err := systemd.SdNotify(false, systemd.SdNotifyReady); err != nil {
		log.Warn("the service manager was not told", "err", err)
	}
}
