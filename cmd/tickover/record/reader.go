package record

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"slices"
	"strconv"
	"sync"

	"tickover/alarms"
	"tickover/cmd/tickover/report"
	"tickover/collector"
	"tickover/collector/store"
	"tickover/model"
	"tickover/model/electrical"
	"tickover/model/performance"
	"tickover/model/running"
	"tickover/model/transducer"
)

// Reader answers the page and the reading commands: from the running daemon
// when live is set, from the files alone otherwise.
type Reader struct {
	Store   *store.Store
	setup   model.Setup
	live    *collector.Collector // nil when no daemon runs
	machine *alarms.Machine      // nil when no daemon runs
	// runsBefore is how many runs came before the first one here, in a bundle
	// that holds one of many.
	runsBefore int
	earlier    []model.Event // of a bundle, from before its store begins
	setupLost  error         // what is wrong with the newest configuration kept
	Counted    sync.Map      // black boxes by ID, *count
}

// FromStore answers from the files of a store with the newest configuration in
// it that can be read. Damage says when that is not the newest.
func FromStore(kept *store.Store) *Reader {
	setup, _, err := kept.Setup()
	return &Reader{Store: kept, setup: setup, setupLost: err}
}

// Damage returns an error with a hint when the newest configuration of the store
// is damaged, so that an older one or none is used; nil otherwise.
func (s *Reader) Damage() error {
	if s.setupLost == nil {
		return nil
	}
	instead := "an older one is used; units, limits and names may differ"
	if _, found, _ := s.Store.Setup(); !found {
		instead = "none is left; units, limits and the rating are missing"
	}
	return &model.Fault{Code: model.StoreFault, Err: fmt.Errorf("the newest configuration in the store is damaged: %s: %w", instead, s.setupLost),
		Hint: "keep a copy of the folder, then start tickover run with the configuration file: it stores the configuration again"}
}

// NewLive answers for a running daemon; live and machine are nil when none runs.
func NewLive(kept *store.Store, setup model.Setup, live *collector.Collector, machine *alarms.Machine) *Reader {
	return &Reader{Store: kept, setup: setup, live: live, machine: machine}
}

// errNotRunning says that only a running daemon can do this.
var errNotRunning = &model.Fault{Code: model.RuntimeFault, Err: errors.New("no daemon runs on this state folder"), Hint: "start it with tickover run; only the daemon handles alarms"}

// Latest returns the newest snapshot. Without a daemon it is made from the
// newest readings kept.
func (s *Reader) Latest() *model.Snapshot {
	if s.live != nil {
		return s.live.Latest()
	}
	snapshot := &model.Snapshot{
		At: s.Store.Last(), Readings: map[model.PointID]model.Reading{}, Clock: s.Store.Clock(),
		Store: s.Store.Health(), Simulated: s.setup.Simulated,
	}
	for scan, err := range s.Scans(model.Query{Newest: 1}) {
		if err != nil {
			break
		}
		for _, sample := range scan.Samples {
			r := model.Reading{Sample: sample, At: scan.At}
			if sample.Quality == model.Good {
				r.Good, r.Last = scan.At, sample.Value
			}
			snapshot.Readings[sample.Point] = r
		}
	}
	for e, err := range s.events(model.Query{}) {
		if err == nil && e.Engine != nil {
			snapshot.State, snapshot.Since = e.Engine.To, e.At
		}
	}
	return snapshot
}

// Setup returns the configuration in force.
func (s *Reader) Setup() model.Setup { return s.setup }

// Changed tells when there is a newer snapshot; nil, never, without a daemon.
func (s *Reader) Changed() <-chan struct{} {
	if s.live == nil {
		return nil
	}
	return s.live.Changed()
}

// Runs works out the runs from the kept changes of engine state.
func (s *Reader) Runs(ctx context.Context) ([]model.Run, error) {
	var changes []model.Event
	for e, err := range s.events(model.Query{}) {
		if err != nil {
			return nil, fmt.Errorf("read events: %w", err)
		}
		if e.Kind == model.EngineEvent {
			changes = append(changes, e)
		}
	}
	runs := running.Runs(changes, s.last(), s.Store.Clock().Boots...)
	for i := range runs {
		runs[i].ID = strconv.Itoa(i + 1 + s.runsBefore)
	}
	return runs, ctx.Err()
}

func (s *Reader) last() model.Instant {
	if s.live != nil {
		return s.live.Latest().At
	}
	return s.Store.Last()
}

// errNoRun is returned for a run that is not there.
type errNoRun struct{ id string }

func (e errNoRun) Error() string { return fmt.Sprintf("there is no run %q", e.id) }

// NotFound marks the error for the page.
func (errNoRun) NotFound() {}

func (s *Reader) Run(ctx context.Context, id string) (model.Run, error) {
	runs, err := s.Runs(ctx)
	if err != nil {
		return model.Run{}, err
	}
	if id == "last" && len(runs) > 0 {
		return runs[len(runs)-1], nil
	}
	for _, r := range runs {
		if r.ID == id {
			return r, nil
		}
	}
	return model.Run{}, errNoRun{id}
}

// Record works out everything about one run.
func (s *Reader) Record(ctx context.Context, id string) (*model.RunRecord, error) {
	run, err := s.Run(ctx, id)
	if err != nil {
		return nil, err
	}
	span := RunSpan(run)
	events, err := s.EventsOf(run)
	if err != nil {
		return nil, err
	}
	var sensors []model.Point
	for _, d := range s.setup.Devices {
		for _, p := range d.Points {
			sensors = append(sensors, sensedBy(s.setup.Sensed, p))
		}
	}
	b := s.beside(run)
	rec, err := performance.Record(performance.Input{
		Run: run, Rating: s.setup.Rating, Clock: s.Store.Clock(), Scans: b.tee(s.Scans(span)), Events: events,
		Simulated: s.setup.Simulated, Limits: s.setup.Rating.Class, Own: s.setup.LimitSets, Sensors: sensors,
	})
	if err != nil {
		return nil, fmt.Errorf("work out run %s: %w", id, err)
	}
	rec.Sensors = sensors
	return rec, b.fill(rec, events)
}

// EventsOf is what happened in a run, and what was measured by hand since the
// last turn of the run before it and until the next one begins: a tank is
// dipped before the start and long after the stop. Rules that went on or off
// watch are no news and left out.
func (s *Reader) EventsOf(run model.Run) ([]model.Event, error) {
	runs, err := s.Runs(context.Background())
	if err != nil {
		return nil, err
	}
	var before, after model.Instant
	for _, other := range runs {
		switch {
		case other.Started.Before(run.Started):
			before = other.Stopped
		case run.Started.Before(other.Started) && after.IsZero():
			after = other.Started
		}
	}
	var events []model.Event
	for e, err := range s.events(model.Query{From: before}) {
		if err != nil {
			return nil, fmt.Errorf("read events: %w", err)
		}
		inside := !e.At.Before(run.Started) && (run.Ended.IsZero() || e.At.Before(run.Ended))
		if e.Hand != nil && s.takenWithin(e, before, after) || e.Hand == nil && inside && (e.Alarm == nil || !e.Alarm.Quiet()) {
			events = append(events, e)
		}
	}
	return events, nil
}

// takenWithin reports whether a measurement was made in a span whose ends may
// be zero for open. One entered later counts where its own time lies.
func (s *Reader) takenWithin(e model.Event, from, to model.Instant) bool {
	at, clock := e.At, s.Store.Clock()
	start, startSource := clock.Wall(from)
	end, endSource := clock.Wall(to)
	taken := e.Hand.Taken
	switch {
	case taken.IsZero(), !from.IsZero() && startSource == model.ClockUnknown, !to.IsZero() && endSource == model.ClockUnknown:
		return !at.Before(from) && (to.IsZero() || at.Before(to))
	}
	return (from.IsZero() || !taken.Before(start)) && (to.IsZero() || taken.Before(end))
}

// sensedBy gives the point worked out from a raw one, or the point itself.
func sensedBy(sensed []model.Point, p model.Point) model.Point {
	for _, o := range sensed {
		if o.Sensor.Raw == p.ID {
			o.Every = p.Every
			return o
		}
	}
	return p
}

func RunSpan(r model.Run) model.Query { return model.Query{From: r.Started, To: r.Ended} }

// Scans yields stored scans with their derived values worked out again. When
// only measured points are asked for, nothing is worked out.
func (s *Reader) Scans(q model.Query) iter.Seq2[*model.Scan, error] {
	known := s.setup.Points()
	measured := len(q.Points) > 0
	for _, p := range q.Points {
		point, configured := known[p]
		measured = measured && configured && point.Sensor == nil
	}
	if measured {
		return s.Store.Scans(q)
	}
	q.Points = nil // what is derived may need any of them
	gain := electrical.VoltageGain(slices.Collect(maps.Values(known)), s.setup.Rating)
	return func(yield func(*model.Scan, error) bool) {
		for scan, err := range s.Store.Scans(q) {
			if err == nil {
				transducer.Sense(s.setup.Sensed, scan)
				electrical.Derive(s.setup.Rating, gain, scan)
			}
			if !yield(scan, err) {
				return
			}
		}
	}
}

// alone yields the scans that hold one measured or sensed point, with that
// point first.
func (s *Reader) alone(q model.Query, id model.PointID) iter.Seq2[*model.Scan, error] {
	if s.setup.Points()[id].Sensor == nil {
		return s.Store.Scans(q)
	}
	return func(yield func(*model.Scan, error) bool) {
		for scan, err := range s.Scans(q) {
			if err == nil {
				sample, ok := scan.Find(id)
				if !ok {
					continue
				}
				scan = &model.Scan{Group: scan.Group, At: scan.At, Samples: []model.Sample{sample}}
			}
			if !yield(scan, err) {
				return
			}
		}
	}
}

// rawToo asks also for what the points asked for are worked out from: the
// store keeps what a sensor signals, not what it means.
func (s *Reader) rawToo(q model.Query) model.Query {
	asked := q.Points
	for _, p := range s.setup.Sensed {
		if len(asked) == 0 || !slices.Contains(asked, p.ID) {
			continue
		}
		q.Points = append(q.Points[:len(q.Points):len(q.Points)], p.Sensor.Raw)
		beside := transducer.ReferencePoint(p.Sensor)
		if i := slices.IndexFunc(s.setup.Sensed, func(o model.Point) bool { return o.ID == beside }); i >= 0 {
			beside = s.setup.Sensed[i].Sensor.Raw
		}
		if beside != "" {
			q.Points = append(q.Points, beside)
		}
	}
	return q
}

// Report writes one run as html, json or text.
func (s *Reader) Report(ctx context.Context, w io.Writer, id, format string) error {
	rec, err := s.Record(ctx, id)
	if err != nil {
		return err
	}
	switch format {
	case "html":
		return report.HTML(w, rec, s.Store.Clock(), s.Scans)
	case "json":
		return report.JSON(w, rec, s.Store.Clock())
	case "text":
		return report.Text(w, rec, s.Store.Clock())
	}
	return &model.Fault{Code: model.UsageFault, Err: fmt.Errorf("there is no report format %q", format), Hint: "use html, json or text"}
}

// Events yields what happened.
func (s *Reader) Events(_ context.Context, q model.Query) iter.Seq2[model.Event, error] {
	return s.events(q)
}

// Act does to an alarm what a person wants, in the carrier's own goroutine.
func (s *Reader) Act(ctx context.Context, act model.AlarmAct) error {
	if s.live == nil {
		return errNotRunning
	}
	return s.live.Do(ctx, func() error {
		events, err := s.machine.Act(act, s.live.Latest().At)
		if err != nil {
			return err
		}
		s.live.RecordAlarms(events)
		return nil
	})
}
