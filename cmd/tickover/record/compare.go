package record

import (
	"context"

	"tickover/model"
	"tickover/model/performance"
)

// Compare ranks how one run differed from another.
func (s *Reader) Compare(ctx context.Context, before, after string) (model.Comparison, error) {
	a, err := s.Record(ctx, before)
	if err != nil {
		return model.Comparison{}, err
	}
	b, err := s.Record(ctx, after)
	if err != nil {
		return model.Comparison{}, err
	}
	return performance.Compare(a, b), nil
}
