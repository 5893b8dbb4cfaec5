package daemon

import (
	"context"
	"log/slog"
	"time"

	"tickover/collector"
	"tickover/collector/store"
	"tickover/model"
)

// jump is how far the wall clock may move against the boot clock before it
// is noted anew.
const jump = time.Second

// dateBoot keeps an estimate at the start unless an earlier start of the same
// boot has as good a one: what is sent again after a restart must bear the
// same time as before.
func dateBoot(s *store.Store, now model.ClockEstimate) error {
	if b, ok := s.Clock().Boot(s.Boot()); ok {
		if best, ok := b.Best(); ok && best.Source == now.Source && moved(best, now).Abs() < jump {
			return nil
		}
	}
	return s.Estimate(s.Boot(), now)
}

// watchClock keeps an estimate of the wall clock whenever its source or its
// offset from the boot clock changes, until the context ends.
func watchClock(ctx context.Context, c *collector.Collector, s *store.Store, log *slog.Logger) {
	last := Estimate()
	ticker := time.NewTicker(10 * time.Second)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		now := Estimate()
		if moved := moved(last, now); now.Source == last.Source && moved.Abs() < jump {
			continue
		}
		err := c.Do(ctx, func() error {
			if err := s.Estimate(s.Boot(), now); err != nil {
				return err
			}
			at := model.Instant{Boot: s.Boot(), Offset: now.At}
			c.Record(model.Event{At: at, Kind: model.ClockEvent, Text: clockWords(last, now)})
			return nil
		})
		if err != nil && ctx.Err() == nil {
			log.Error("clock change lost", "err", err)
		}
		last = now
	}
}

// moved is how far the wall clock moved against the boot clock.
func moved(a, b model.ClockEstimate) time.Duration {
	return time.Duration(b.Wall-a.Wall) - (b.At - a.At)
}

func clockWords(last, now model.ClockEstimate) string {
	text := "clock is " + now.Source.String()
	if m := moved(last, now); m.Abs() >= jump {
		text += ", moved by " + model.Lasting(m.Round(time.Millisecond))
	}
	return text
}
