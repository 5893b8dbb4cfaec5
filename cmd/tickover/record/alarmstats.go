package record

import (
	"context"
	"fmt"

	"tickover/alarms"
	"tickover/model"
)

// AlarmStats works out how alarms fared over everything on record.
func (s *Reader) AlarmStats(ctx context.Context) (model.AlarmStats, error) {
	var events []model.AlarmEvent
	for e, err := range s.events(model.Query{}) {
		if err != nil {
			return model.AlarmStats{}, fmt.Errorf("read events: %w", err)
		}
		if e.Alarm != nil {
			events = append(events, *e.Alarm)
		}
	}
	return alarms.Stats(events, s.Store.Clock().Boots, s.last()), ctx.Err()
}
