package record

import (
	"context"
	"fmt"
	"io"
	"time"

	"tickover/model"
)

// Backup writes a copy of the store as a stream.
func (s *Reader) Backup(ctx context.Context, w io.Writer, id string) error {
	var span model.Span
	if id != "" {
		run, err := s.Run(ctx, id)
		if err != nil {
			return err
		}
		span = model.Span{From: run.Started, To: run.Ended.Add(time.Nanosecond)}
		if run.Ended.IsZero() {
			return &model.Fault{Code: model.UsageFault, Err: fmt.Errorf("run %s has not ended", id), Hint: "wait until the engine stands still"}
		}
	}
	return s.Store.Backup(ctx, w, span, nil)
}
