package daemon

import (
	"context"
	"log/slog"
	"time"

	"tickover/collector"
	"tickover/collector/host"
	"tickover/collector/store"
	"tickover/model"
)

// storeEvery is how often the store's state is carried when it does not change:
// an alarm whose input is silent for longer than 5 s is not monitored.
const storeEvery = 3 * time.Second

// WatchStore carries, at every change and at least every storeEvery, whether the
// store keeps less than it should, so that an alarm can be judged by it. It is
// not kept itself.
func WatchStore(ctx context.Context, c *collector.Collector, s *store.Store, now func() model.Instant, log *slog.Logger) {
	ticker := time.NewTicker(time.Second)
	defer ticker.Stop()
	var told time.Time
	for was := -1.0; ; {
		is := 0.0
		if s.Health().Degraded != "" {
			is = 1
		}
		if is != was || time.Since(told) >= storeEvery {
			err := c.Do(ctx, func() error {
				c.Feed(&model.Scan{Group: host.Group, At: now(), Samples: []model.Sample{model.GoodSample(model.HostStoreFault, is)}}, "")
				return nil
			})
			if err != nil && ctx.Err() == nil {
				log.Error("the store's state is not judged", "err", err)
			}
			was, told = is, time.Now()
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}
