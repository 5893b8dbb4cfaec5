package main

import (
	"context"
	"log/slog"
	"time"

	"tickover/collector"
	"tickover/collector/host"
	"tickover/collector/store"
	"tickover/model"
)

// watchStore carries, whenever it changes, whether the store keeps less than it
// should, so that an alarm can be judged by it. It is not kept itself.
func watchStore(ctx context.Context, c *collector.Collector, s *store.Store, now func() model.Instant, log *slog.Logger) {
	ticker := time.NewTicker(time.Second)
	defer ticker.Stop()
	for was := -1.0; ; {
		is := 0.0
		if s.Health().Degraded != "" {
			is = 1
		}
		if is != was {
			err := c.Do(ctx, func() error {
				c.Feed(&model.Scan{Group: host.Group, At: now(), Samples: []model.Sample{model.GoodSample(model.HostStoreFault, is)}}, "")
				return nil
			})
			if err != nil && ctx.Err() == nil {
				log.Error("whether the store keeps all is not judged", "err", err)
			}
			was = is
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}
