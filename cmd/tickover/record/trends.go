package record

import (
	"context"
	"fmt"
	"time"

	"tickover/model"
	"tickover/model/performance"
)

// Readings hands out what a drawing with columns of the given width needs, in
// order of time for each point: samples, or when a column holds minutes the
// lowest and the highest of each minute, which are kept longer and read faster.
func (s *Reader) Readings(ctx context.Context, q model.Query, width time.Duration, take func(*model.Scan)) (time.Duration, error) {
	if width >= time.Minute {
		return time.Minute, s.minutes(ctx, q, take)
	}
	for scan, err := range s.Scans(q) {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return 0, fmt.Errorf("read samples: %w", err)
		}
		take(scan)
	}
	return 0, nil
}

// minutes hands out two scans for each minute: its lowest and its highest
// values, at its middle. Points that are worked out and not measured have none.
func (s *Reader) minutes(ctx context.Context, q model.Query, take func(*model.Scan)) error {
	for m, err := range s.Store.Minutes(q) {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return fmt.Errorf("read minutes: %w", err)
		}
		low, high := &model.Scan{Group: m.Group}, &model.Scan{Group: m.Group}
		for i := range m.At {
			low.At = m.Instant(i).Add(30 * time.Second)
			high.At = low.At
			low.Samples, high.Samples = low.Samples[:0], high.Samples[:0]
			for c, p := range m.Points {
				if m.Columns[c].Count[i] == 0 {
					low.Samples = append(low.Samples, model.BadSample(p, model.Undefined))
					continue
				}
				low.Samples = append(low.Samples, model.GoodSample(p, m.Columns[c].Min[i]))
				high.Samples = append(high.Samples, model.GoodSample(p, m.Columns[c].Max[i]))
			}
			take(low)
			take(high)
		}
	}
	return nil
}

// Steps finds the load steps within a span, run by run. It looks at that span
// only, so it costs what the span costs.
func (s *Reader) Steps(ctx context.Context, q model.Query) ([]model.Instant, error) {
	runs, err := s.Runs(ctx)
	if err != nil {
		return nil, err
	}
	var steps []model.Instant
	for _, run := range runs {
		run, ok := clipped(run, q, s.last())
		if !ok {
			continue
		}
		points := append(model.PhaseActive[:], model.PowerActive, model.FrequencyPoint)
		scans := s.Scans(model.Query{From: run.Started, To: run.Ended, Points: points})
		rec, err := performance.Record(performance.Input{Run: run, Rating: s.setup.Rating, Clock: s.Store.Clock(), Scans: scans})
		if err != nil {
			return nil, fmt.Errorf("find load steps: %w", err)
		}
		for _, step := range rec.Steps {
			steps = append(steps, step.At)
		}
	}
	return steps, ctx.Err()
}

// clipped cuts a run to a span; false when nothing is left.
func clipped(run model.Run, q model.Query, last model.Instant) (model.Run, bool) {
	later := func(a, b model.Instant) model.Instant {
		if a.Before(b) {
			return b
		}
		return a
	}
	sooner := func(a, b model.Instant) model.Instant {
		if a.IsZero() || !b.IsZero() && b.Before(a) {
			return b
		}
		return a
	}
	var states []model.StateSpan
	for _, span := range run.States {
		if span.To.IsZero() {
			span.To = last
		}
		span.From, span.To = later(span.From, q.From), sooner(span.To, q.To)
		if span.From.Before(span.To) {
			states = append(states, span)
		}
	}
	run.States = states
	run.Started, run.Ended = later(run.Started, q.From), sooner(run.Ended, q.To)
	return run, len(states) > 0
}
