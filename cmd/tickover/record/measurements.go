package record

import (
	"context"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"tickover/model"
	"tickover/model/winding"
	"tickover/model/wiring"
)

// Measure keeps a measurement by hand and judges it. What the sensor showed
// when a gauge or a hand meter was read is kept beside it.
func (s *Reader) Measure(ctx context.Context, who string, m model.Measurement) (uint64, []model.Figure, error) {
	now := Instants(s.Store.Boot())()
	wall, source := s.Store.Clock().Wall(now)
	if source == model.ClockUnknown {
		wall = time.Now() // nothing vouches for it, and nothing else tells the future
	}
	if m.Corrects != 0 {
		if err := s.correctable(m); err != nil {
			return 0, nil, err
		}
	}
	if m.Kind == model.PanelGaugeKind || m.Kind == model.HandMeterKind {
		s.sensorBeside(&m, now)
	}
	if err := m.Vet(wall); err != nil {
		return 0, nil, err
	}
	seq, err := s.keepNow(ctx, model.Event{Kind: model.MeasurementEvent, Who: who, Hand: &m})
	return seq, winding.Judge(&m, s.setup.Rating, wall), err
}

// correctable refuses to correct what is not there or something else.
func (s *Reader) correctable(m model.Measurement) error {
	hand, err := s.Pick(func(e model.Event) bool { return e.Hand != nil && e.Seq == m.Corrects })
	if err == nil && (len(hand) == 0 || hand[0].Hand.Kind != m.Kind) {
		return &model.Refusal{Reason: fmt.Sprintf("entry %d is not a %s", m.Corrects, m.Kind), Hint: "tickover measure list shows the entries"}
	}
	return err
}

// freshReading is how old a sensor's reading may be to stand beside a gauge's.
const freshReading = 15 * time.Second

func (s *Reader) sensorBeside(m *model.Measurement, now model.Instant) {
	if s.live == nil || !m.Taken.IsZero() {
		return
	}
	r, ok := s.live.Latest().Readings[model.PointID(m.Points)]
	age, same := now.Sub(r.At)
	if ok && same && r.Quality == model.Good && age <= freshReading {
		m.Conditions[model.SensorReading] = r.Value
	}
}

// Pick gives the events that the test takes.
func (s *Reader) Pick(take func(model.Event) bool) ([]model.Event, error) {
	var all []model.Event
	for e, err := range s.events(model.Query{}) {
		if err != nil {
			return nil, fmt.Errorf("read events: %w", err)
		}
		if take(e) {
			all = append(all, e)
		}
	}
	return all, nil
}

func ByHand(e model.Event) bool { return e.Hand != nil }

// Measured sets out all measurements by hand.
func (s *Reader) Measured(context.Context) ([]model.HandRow, *model.DryOut, []model.Check, error) {
	hand, err := s.Pick(ByHand)
	if err != nil {
		return nil, nil, nil, err
	}
	var meter winding.CostCounter
	if span, ok := spanOf(hand); ok {
		for scan, err := range s.staged(s.Scans(span)) {
			if err == nil { // what the engine did meanwhile is beside the point when it cannot be read
				meter.Step(scan)
			}
		}
	}
	return winding.Rows(hand, s.setup.Rating, s.Store.Clock()), winding.DryOut(hand, s.Store.Clock(), meter.Cost()), wiring.Gauges(hand), nil
}

// spanOf is the time from the first insulation reading to the last.
func spanOf(hand []model.Event) (model.Query, bool) {
	var q model.Query
	n := 0
	for _, e := range hand {
		if e.Hand.Kind != model.InsulationKind {
			continue
		}
		if n++; q.From.IsZero() {
			q.From = e.At
		}
		q.To = e.At
	}
	return q, n > 1
}

// Fact keeps a line of the machine card. An earlier one of the name stays on
// record and does not count any more.
func (s *Reader) Fact(ctx context.Context, who string, fact model.Fact) error {
	_, err := s.keepNow(ctx, model.Event{Kind: model.FactEvent, Who: who, Text: fact.Name + ": " + fact.Text, Fact: &fact})
	return err
}

// Facts lists the machine card: the configuration's lines and what the logger
// takes from the starter battery, each replaced by the newest kept of its name,
// and the others kept.
func (s *Reader) Facts(context.Context) ([]model.Fact, error) {
	facts := slices.Clone(s.setup.Machine)
	if words := s.setup.Supply.Words(s.setup.Rating.Battery); words != "" {
		facts = append(facts, model.Fact{Name: "logger's supply", Text: words})
	}
	kept, err := s.Pick(func(e model.Event) bool { return e.Fact != nil })
	for _, e := range kept {
		i := slices.IndexFunc(facts, func(f model.Fact) bool { return strings.EqualFold(f.Name, e.Fact.Name) })
		if i < 0 {
			facts = append(facts, *e.Fact)
			continue
		}
		facts[i] = *e.Fact
	}
	return facts, err
}

// staged puts the engine's state into scans, which the store keeps as events.
func (s *Reader) staged(scans iter.Seq2[*model.Scan, error]) iter.Seq2[*model.Scan, error] {
	return func(yield func(*model.Scan, error) bool) {
		changes, err := s.Pick(func(e model.Event) bool { return e.Engine != nil })
		if err != nil {
			yield(nil, err)
			return
		}
		state := model.EngineUnknown
		for scan, err := range scans {
			if err != nil {
				if !yield(scan, err) {
					return
				}
				continue
			}
			for len(changes) > 0 && !scan.At.Before(changes[0].At) {
				state, changes = changes[0].Engine.To, changes[1:]
			}
			if !yield(withState(scan, state), nil) {
				return
			}
		}
	}
}

// withState returns the scan with the engine's state; the scan given is not
// changed.
func withState(scan *model.Scan, state model.EngineState) *model.Scan {
	if _, ok := scan.Find(model.EngineStatePoint); ok || state == model.EngineUnknown {
		return scan
	}
	staged := *scan
	staged.Samples = append(slices.Clip(scan.Samples), model.GoodSample(model.EngineStatePoint, float64(state)))
	return &staged
}

// Wiring runs the commissioning checks over a span.
func (s *Reader) Wiring(_ context.Context, q model.Query) ([]model.Check, error) {
	setup, err := s.carded()
	if err != nil {
		return nil, err
	}
	watch := wiring.NewEvidence(setup)
	for scan, err := range s.staged(s.Scans(q)) {
		if err != nil {
			return nil, fmt.Errorf("read scans: %w", err)
		}
		watch.Step(scan)
	}
	return s.checks(watch, s.last())
}

// carded is the setup with the machine card in force.
func (s *Reader) carded() (model.Setup, error) {
	setup := s.setup
	var err error
	setup.Machine, err = s.Facts(context.Background())
	return setup, err
}

func (s *Reader) checks(watch *wiring.Evidence, at model.Instant) ([]model.Check, error) {
	hand, err := s.Pick(ByHand)
	if err != nil {
		return nil, err
	}
	walks, err := s.Pick(func(e model.Event) bool { return e.Kind == model.WiringEvent })
	if err != nil {
		return nil, err
	}
	dates := s.Store.Clock()
	now, clock := dates.Wall(at)
	return watch.Checks(wiring.Context{Hand: hand, Walks: walks, Alarms: Rules(s.setup), Clock: clock, Now: now, Dates: dates, Store: s.Store.Health()}), nil
}

// Walk works a one-heater walk out of the record.
func (s *Reader) Walk(ctx context.Context, q model.Query, heater float64, keep bool) (model.Walk, error) {
	walker := wiring.NewWalker(s.setup.Rating)
	for scan, err := range s.Scans(q) {
		if err != nil {
			return model.Walk{}, fmt.Errorf("read scans: %w", err)
		}
		walker.Step(scan)
	}
	walk := walker.Result(heater)
	if !keep || !walk.Complete {
		return walk, nil
	}
	_, err := s.keepNow(ctx, model.Event{Kind: model.WiringEvent, Text: "one-heater walk: " + walk.Words, Checks: walk.Checks})
	return walk, err
}

// besideRun gathers what the report shows beside the figures of a run, in the
// same pass over the scans.
type besideRun struct {
	*Reader
	watch *wiring.Evidence
	meter winding.CostCounter
	spans []model.StateSpan
}

func (s *Reader) beside(run model.Run) *besideRun {
	setup, err := s.carded()
	if err != nil {
		setup = s.setup // fill meets the same error and tells it
	}
	return &besideRun{Reader: s, watch: wiring.NewEvidence(setup), spans: run.States}
}

// tee lets every scan be seen on its way.
func (b *besideRun) tee(scans iter.Seq2[*model.Scan, error]) iter.Seq2[*model.Scan, error] {
	return func(yield func(*model.Scan, error) bool) {
		spans, state := b.spans, model.EngineUnknown
		for scan, err := range scans {
			if err == nil {
				for len(spans) > 0 && !scan.At.Before(spans[0].From) {
					state, spans = spans[0].State, spans[1:]
				}
				staged := withState(scan, state)
				b.watch.Step(staged)
				b.meter.Step(staged)
			}
			if !yield(scan, err) {
				return
			}
		}
	}
}

// fill puts what was gathered into the record.
func (b *besideRun) fill(rec *model.RunRecord, events []model.Event) error {
	var err error
	if rec.Machine, err = b.Facts(context.Background()); err != nil {
		return err
	}
	hand, err := b.Pick(ByHand)
	if err != nil {
		return err
	}
	rec.HandRows = winding.Rows(slices.DeleteFunc(slices.Clone(events), func(e model.Event) bool { return e.Hand == nil }), b.setup.Rating, b.Store.Clock())
	rec.DryOut = winding.DryOut(hand, b.Store.Clock(), b.meter.Cost())
	rec.Gauges = wiring.Gauges(hand)
	for _, open := range winding.OpenTicks(hand) {
		rec.NotTested = append(rec.NotTested, "tick-list of a 500 V test, still open: "+open)
	}
	rec.NotTested = append(rec.NotTested, uncovered(b.setup)...)
	if rec.Wiring, err = b.checks(b.watch, rec.Run.Started); err == nil {
		rec.Findings = slices.Concat(WiringFound(rec), rec.Findings)
	}
	return err
}

// connections are the checks of how the meter is connected. What they find comes
// before all that the meter's readings say of the set.
var connections = []string{"C04", "C05", "C06", "C07", "C08", "C09", "C10", "C11", "C13", "C37", "C38"}

// WiringFound are the findings of wrong connections, a line each. Power that counts
// backwards the record has found itself.
func WiringFound(rec *model.RunRecord) (lines []string) {
	backwards := slices.ContainsFunc(rec.Findings, func(f string) bool { return strings.HasPrefix(f, "Wiring: ") })
	for _, c := range rec.Wiring {
		if c.Outcome != model.Finding || !slices.Contains(connections, c.Code) || backwards && slices.Contains([]string{"C09", "C10", "C11"}, c.Code) {
			continue
		}
		lines = append(lines, fmt.Sprintf("Wiring: %s (check %s): %s.", c.Words, c.Code, c.Do))
	}
	return lines
}
