package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"tickover/cmd/tickover/client"
	"tickover/cmd/tickover/record"
	"tickover/collector/store"
	"tickover/model"
)

// verifyCommand checks a store, that of a running daemon too.
type verifyCommand struct {
	client.StateFolder
}

// Run checks every block, slot and index.
func (c *verifyCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	shown := bar(s.err, "verify")
	r, w := io.Pipe()
	go func() {
		w.CloseWithError(a.Do(ctx, http.MethodPost, "/api/v1/verify", strings.NewReader(""), w))
	}()
	findings, err := lastLine(r, shown)
	r.CloseWithError(err)
	shown.finish()
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%d blocks with %d scans and %d samples, %d minutes compared with them, %d events, %d slots\n",
		findings.Blocks, findings.Rows, findings.Samples, findings.Minutes, findings.Events, findings.Slots)
	if findings.Growing {
		fmt.Fprintln(s.out, "the daemon is logging: not checked are the minutes of each group's newest block and readings still in memory")
	}
	if n := findings.Unfinished; n > 0 {
		fmt.Fprintf(s.out, "last write unfinished (slots of the ring: %d): normal after a power cut, completed at the next start\n", n)
	}
	for _, p := range findings.Problems {
		fmt.Fprintf(s.out, "%s: %s\n", p.Where, p.What)
	}
	if !findings.Clean() {
		return &model.Fault{Code: model.StoreFault, Err: fmt.Errorf("%d problems in %s", len(findings.Problems), c.State), Hint: "all other data can be read. Copy the folder before you continue"}
	}
	_, err = fmt.Fprintln(s.out, "no problems")
	return err
}

// lastLine shows how far the check is and returns what it found.
func lastLine(r io.Reader, shown *progress) (*store.Findings, error) {
	for in := json.NewDecoder(r); ; {
		var line record.VerifyLine
		switch err := in.Decode(&line); {
		case errors.Is(err, io.EOF):
			return nil, errors.New("the check stopped early")
		case err != nil:
			return nil, err
		case line.Found != nil:
			return line.Found, nil
		}
		shown.setTotal(int64(line.Total)).set(int64(line.Done))
	}
}
