package main

import (
	"context"
	"fmt"
	"log/slog"

	"tickover/collector/store"
)

// verifyCommand checks a store that no daemon has open.
type verifyCommand struct {
	stateFlag
}

// Run checks every block, slot and index.
func (c *verifyCommand) Run(ctx context.Context, s streams) error {
	st, err := store.Open(store.Options{Dir: c.State, ReadOnly: true, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return fmt.Errorf("open the store in %s: %w", c.State, err)
	}
	defer st.Close()
	shown := bar(s.err, "verify")
	findings, err := st.Verify(ctx, func(done, total int) { shown.SetTotal(int64(total)).SetCurrent(int64(done)) })
	shown.Finish()
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%d blocks with %d scans and %d samples, %d minutes held against them, %d events, %d slots\n",
		findings.Blocks, findings.Rows, findings.Samples, findings.Minutes, findings.Events, findings.Slots)
	for _, p := range findings.Problems {
		fmt.Fprintf(s.out, "%s: %s\n", p.Where, p.What)
	}
	if !findings.Clean() {
		return &fault{exitStore, fmt.Errorf("%d problems in %s", len(findings.Problems), c.State), "everything else can still be read; keep a copy before you go on"}
	}
	_, err = fmt.Fprintln(s.out, "no problems")
	return err
}
