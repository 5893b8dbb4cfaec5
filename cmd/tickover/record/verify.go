package record

import (
	"context"
	"encoding/json"
	"io"

	"tickover/collector/store"
)

// VerifyLine is one line of what Verify writes.
type VerifyLine struct {
	Done  int             `json:"done,omitempty"`
	Total int             `json:"total,omitempty"`
	Found *store.Findings `json:"found,omitempty"`
}

// Verify checks the store.
func (s *Reader) Verify(ctx context.Context, w io.Writer) error {
	out := json.NewEncoder(w)
	said := -1 // of two hundred parts
	found, err := s.Store.Verify(ctx, func(done, total int) {
		if part := done * 200 / max(total, 1); part != said {
			said = part
			_ = out.Encode(VerifyLine{Done: done, Total: total}) // a reader that is gone ends ctx
		}
	})
	if err != nil {
		return err
	}
	return out.Encode(VerifyLine{Found: &found})
}
