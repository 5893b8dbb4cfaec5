package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"text/tabwriter"
	"time"

	"tickover/cmd/tickover/client"
	"tickover/cmd/tickover/record"
	"tickover/model"
)

// outletsCommand lists where readings and alarms go.
type outletsCommand struct {
	client.StateFolder
	JSON bool `help:"Print a JSON array."`
}

type outletRow struct {
	Name     string            `json:"name"`
	Kind     string            `json:"kind"`
	Trouble  string            `json:"trouble"`
	Hint     string            `json:"hint"`
	Sent     uint64            `json:"sent"`
	Failures uint64            `json:"failures"`
	Dropped  map[string]uint64 `json:"dropped"`
	Pending  uint64            `json:"pending"`
	Lag      float64           `json:"lag_seconds"`
}

// Run prints the list.
func (c *outletsCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	if c.JSON {
		return a.Get(ctx, s.out, "/api/v1/outlets", nil)
	}
	var rows []outletRow
	if err := a.List(ctx, "/api/v1/outlets", nil, &rows); err != nil {
		return err
	}
	if len(rows) == 0 {
		fmt.Fprintln(s.out, "nothing is sent out")
		return nil
	}
	return printOutlets(s.out, rows)
}

func printOutlets(out io.Writer, rows []outletRow) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "outlet\tkind\tsent\tfailures\tdropped\twaiting\tbehind")
	for _, r := range rows {
		dropped := uint64(0)
		for _, n := range r.Dropped {
			dropped += n
		}
		fmt.Fprintf(w, "%s\t%s\t%d\t%d\t%d\t%d\t%s\n", r.Name, r.Kind, r.Sent, r.Failures, dropped, r.Pending, record.Seconds(r.Lag))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, r := range rows {
		if r.Trouble != "" {
			fmt.Fprintf(out, "\n%s: %s\n", r.Name, r.Trouble)
			if r.Hint != "" {
				fmt.Fprintf(out, "  hint: %s\n", r.Hint)
			}
		}
	}
	return nil
}

// alarmsTest sends a test message every way there is.
type alarmsTest struct {
	client.StateFolder
	Who  string `help:"Who asks; stands in the message."`
	JSON bool   `help:"Print a JSON array."`
}

type trialRow struct {
	Name  string  `json:"name"`
	Kind  string  `json:"kind"`
	Taken bool    `json:"taken"`
	Took  float64 `json:"took_seconds"`
	Error string  `json:"error"`
	Hint  string  `json:"hint"`
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
	var rows []trialRow
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
		return &model.Fault{Code: model.RuntimeFault, Err: errors.New("nobody would be told of an alarm: there is no target, hook or heartbeat"), Hint: "add notify: or hook: to the configuration"}
	}
	for _, r := range rows {
		if r.Taken {
			fmt.Fprintf(s.out, "%s (%s): taken after %s\n", r.Name, r.Kind, time.Duration(r.Took*1e9).Round(time.Millisecond))
			continue
		}
		fmt.Fprintf(s.out, "%s (%s): FAILED: %s\n", r.Name, r.Kind, r.Error)
		if r.Hint != "" {
			fmt.Fprintf(s.out, "  hint: %s\n", r.Hint)
		}
	}
	fmt.Fprintln(s.out, "\nTaken means that the other end took it. Ask the people whether it reached them.")
	return failedTrials(rows)
}

func failedTrials(rows []trialRow) error {
	failed := 0
	for _, r := range rows {
		if !r.Taken {
			failed++
		}
	}
	if failed > 0 {
		return &model.Fault{Code: model.RuntimeFault, Err: fmt.Errorf("%d of %d ways failed", failed, len(rows)), Hint: ""}
	}
	return nil
}

// checkInCommand is the sign of somebody who works alone.
type checkInCommand struct {
	client.StateFolder
	Who   string        `help:"Who gives the sign."`
	Every time.Duration `help:"Time between two signs; as before, or as configured, when left out." placeholder:"15m"`
	End   bool          `help:"End the timer: nobody is alone any more."`
}

// Run gives the sign.
func (c *checkInCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	form := url.Values{"who": {c.Who}}
	if c.Every != 0 {
		form.Set("every", c.Every.String())
	}
	if c.End {
		form.Set("end", "yes")
	}
	if err := a.Post(ctx, "/api/v1/check-in", form); err != nil {
		return err
	}
	if c.End {
		fmt.Fprintln(s.out, "the check-in timer has ended")
		return nil
	}
	var now struct {
		Every float64 `json:"every_seconds"`
		Told  []string
	}
	if err := a.List(ctx, "/api/v1/check-in", nil, &now); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "the next sign is due within %s\n", record.Seconds(now.Every))
	if len(now.Told) == 0 {
		fmt.Fprintln(s.out, "NOBODY IS TOLD of a missed sign: the configuration names no one under notify, check in, to")
	}
	return nil
}
