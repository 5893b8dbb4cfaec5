package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"tickover/collector/store"
)

// verifyLine is one line of what Verify writes.
type verifyLine struct {
	Done  int             `json:"done,omitempty"`
	Total int             `json:"total,omitempty"`
	Found *store.Findings `json:"found,omitempty"`
}

// Verify checks the store.
func (s *source) Verify(ctx context.Context, w io.Writer) error {
	out := json.NewEncoder(w)
	said := -1 // of two hundred parts
	found, err := s.store.Verify(ctx, func(done, total int) {
		if part := done * 200 / max(total, 1); part != said {
			said = part
			_ = out.Encode(verifyLine{Done: done, Total: total}) // a reader that is gone ends ctx
		}
	})
	if err != nil {
		return err
	}
	return out.Encode(verifyLine{Found: &found})
}

// verifyCommand checks a store, that of a running daemon too.
type verifyCommand struct {
	stateFlag
}

// Run checks every block, slot and index.
func (c *verifyCommand) Run(ctx context.Context, s streams) error {
	a, err := c.open(false)
	if err != nil {
		return err
	}
	defer a.close()
	shown := bar(s.err, "verify")
	r, w := io.Pipe()
	go func() {
		w.CloseWithError(a.do(ctx, http.MethodPost, "/api/v1/verify", strings.NewReader(""), w))
	}()
	findings, err := lastLine(r, shown)
	r.CloseWithError(err)
	shown.finish()
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%d blocks with %d scans and %d samples, %d minutes held against them, %d events, %d slots\n",
		findings.Blocks, findings.Rows, findings.Samples, findings.Minutes, findings.Events, findings.Slots)
	if findings.Growing {
		fmt.Fprintln(s.out, "the daemon is logging: left out were the minutes of each group's newest block, which it adds to, and what is in its memory only")
	}
	if n := findings.Unfinished; n > 0 {
		fmt.Fprintf(s.out, "last write unfinished (slots of the ring: %d): normal after a cut of power, completed at the next start\n", n)
	}
	for _, p := range findings.Problems {
		fmt.Fprintf(s.out, "%s: %s\n", p.Where, p.What)
	}
	if !findings.Clean() {
		return &fault{code: exitStore, err: fmt.Errorf("%d problems in %s", len(findings.Problems), c.State), hint: "everything else can still be read; keep a copy before you go on"}
	}
	_, err = fmt.Fprintln(s.out, "no problems")
	return err
}

// lastLine shows how far the check is and returns what it found.
func lastLine(r io.Reader, shown *progress) (*store.Findings, error) {
	for in := json.NewDecoder(r); ; {
		var line verifyLine
		switch err := in.Decode(&line); {
		case errors.Is(err, io.EOF):
			return nil, errors.New("the check ended before its end")
		case err != nil:
			return nil, err
		case line.Found != nil:
			return line.Found, nil
		}
		shown.setTotal(int64(line.Total)).set(int64(line.Done))
	}
}
