package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/client"
	"tickover/model"
)

// alarmsTest sends a test message every way there is.
type alarmsTest struct {
	client.StateFolder
	Who  string `help:"Your name, shown in the message."`
	JSON bool   `help:"Print a JSON array."`
}

// Run asks the daemon and waits until every way was tried. It fails when one
// failed.
func (c *alarmsTest) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	var answer bytes.Buffer
	form := strings.NewReader(url.Values{"who": {c.Who}}.Encode())
	if err := a.Do(ctx, http.MethodPost, "/api/v1/outlets/test", form, &answer); err != nil {
		return err
	}
	var rows []api.OutletTrial
	if err := json.Unmarshal(answer.Bytes(), &rows); err != nil {
		return fmt.Errorf("read the answer: %w", err)
	}
	if c.JSON {
		if _, err := answer.WriteTo(s.out); err != nil {
			return err
		}
		return failedTrials(rows)
	}
	if len(rows) == 0 {
		return &model.Fault{Code: model.RuntimeFault, Err: errors.New("no one would be notified of an alarm: there is no target, hook or heartbeat"), Hint: "add notify: or hook: to the configuration"}
	}
	for _, r := range rows {
		if r.Taken {
			fmt.Fprintf(s.out, "%s (%s): accepted after %s\n", r.Name, r.Kind, time.Duration(r.Took*1e9).Round(time.Millisecond))
			continue
		}
		fmt.Fprintf(s.out, "%s (%s): FAILED: %s\n", r.Name, r.Kind, r.Error)
		if r.Hint != "" {
			fmt.Fprintf(s.out, "  hint: %s\n", r.Hint)
		}
	}
	fmt.Fprintln(s.out, "\nAccepted means that the server accepted it. Ask the recipients whether it arrived.")
	return failedTrials(rows)
}

func failedTrials(rows []api.OutletTrial) error {
	failed := 0
	for _, r := range rows {
		if !r.Taken {
			failed++
		}
	}
	if failed > 0 {
		return &model.Fault{Code: model.RuntimeFault, Err: fmt.Errorf("%d of %d targets failed", failed, len(rows)), Hint: "see the error of each target above"}
	}
	return nil
}
