package daemon

import (
	"context"
	"errors"
	"log/slog"
	"maps"
	"time"

	"tickover/cmd/tickover/record"
	"tickover/collector"
	"tickover/collector/host"
	"tickover/model"
)

// shown are the points for Prometheus: the configured ones and the computer's.
func shown(setup model.Setup, m *host.Machine, supply record.SupplyWatch) map[model.PointID]model.Point {
	all := setup.Points()
	maps.Copy(all, m.Points())
	for _, id := range append(supply.Points(), model.HostStoreFault) {
		q, _ := model.KnownQuantity(id)
		all[id] = model.Point{ID: id, Quantity: q, Every: host.Every}
	}
	return all
}

// watchHost carries the facts of the computer and its supply like any other
// scan, until the context ends. A computer that tells nothing costs nothing.
func watchHost(ctx context.Context, c *collector.Collector, m *host.Machine, supply record.SupplyWatch, now func() model.Instant, log *slog.Logger) {
	if len(m.Points())+len(supply.Points()) == 0 {
		return
	}
	ticker := time.NewTicker(host.Every)
	defer ticker.Stop()
	for {
		err := c.Do(ctx, func() error {
			scan := m.Scan(now())
			supply.Step(scan)
			c.Feed(scan, "")
			return nil
		})
		if err != nil && ctx.Err() == nil && !errors.Is(err, collector.ErrStopped) {
			log.Error("readings of the computer are lost", "err", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// hotHost is where small boards begin to slow down less 5 K (from memory).
const hotHost = 75.0

// HostRules warn of the computer's own troubles, as far as it reports them.
func HostRules(points map[model.PointID]model.Point) []model.AlarmRule {
	var all []model.AlarmRule
	for _, r := range []model.AlarmRule{
		{ID: "logger.undervoltage", Label: "The logger's supply is too low", Priority: model.Warning, Kind: model.AboveLimit,
			Point: model.HostUndervoltage, Limit: 0.5, OffDelay: time.Minute,
			Action:      "Look at the logger's converter, its fuse and its leads. Readings may be missing at the next crank.",
			Basis:       "the board's own detector, at 4.63 V on the boards that have one (from memory)",
			Consequence: "monitoring: the logger restarts at the next crank", TimeToAct: time.Hour},
		{ID: "logger.hot", Label: "The logger is hot", Priority: model.Warning, Kind: model.AboveLimit,
			Point: model.HostTemperature, Limit: hotHost, Deadband: 5, OnDelay: time.Minute,
			Action:      "Move it away from radiator and exhaust, or give it air.",
			Basis:       "5 K below where small boards slow down (from memory)",
			Consequence: "monitoring: readings come late", TimeToAct: time.Hour},
		{ID: "logger.store", Label: "The logger does not keep everything", Priority: model.Warning, Kind: model.AboveLimit,
			Point: model.HostStoreFault, Limit: 0.5, OffDelay: 10 * time.Second,
			Action:      "Read on the page what is wrong. Look at the card: room, seat, supply. Alarms go on; what is held in memory is lost at a power cut.",
			Basis:       "the store's own check of every write",
			Consequence: "monitoring: readings of this time may be lost", TimeToAct: time.Hour},
	} {
		if _, ok := points[r.Point]; ok {
			all = append(all, r)
		}
	}
	return all
}
