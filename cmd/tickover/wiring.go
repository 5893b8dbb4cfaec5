package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/client"
	"tickover/model"
)

// wiringCommand checks the wiring.
type wiringCommand struct {
	Check wiringCheck `cmd:"" default:"withargs" help:"Run the commissioning checks over the last quarter of an hour, or a run (the default)."`
	Walk  wiringWalk  `cmd:"" help:"Go through a one-heater walk: the same heater on L1, L2 and L3 in turn."`
}

type wiringCheck struct {
	client.StateFolder
	RunID string `name:"run" help:"Only this run." placeholder:"RUN"`
	From  string `help:"From this time on (RFC 3339)." placeholder:"TIME"`
	To    string `help:"Up to this time (RFC 3339)." placeholder:"TIME"`
	JSON  bool   `help:"Print a JSON array."`
}

func (c *wiringCheck) span() url.Values {
	q := url.Values{}
	for name, value := range map[string]string{"run": c.RunID, "from": c.From, "to": c.To} {
		if value != "" {
			q.Set(name, value)
		}
	}
	return q
}

// Run prints the checks, findings first.
func (c *wiringCheck) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	if c.JSON {
		return a.Get(ctx, s.out, "/api/v1/wiring", c.span())
	}
	var rows []api.Check
	if err := a.List(ctx, "/api/v1/wiring", c.span(), &rows); err != nil {
		return err
	}
	for _, outcome := range []string{"finding", "pass", "cannot tell yet"} {
		printChecks(s.out, rows, outcome)
	}
	fmt.Fprintln(s.out, "\nA passed check covers these readings only.")
	return nil
}

func printChecks(w io.Writer, rows []api.Check, outcome string) {
	first := true
	for _, r := range rows {
		if r.Outcome != outcome {
			continue
		}
		if first {
			fmt.Fprintf(w, "\n%s\n", strings.ToUpper(outcome))
			first = false
		}
		fmt.Fprintf(w, "  %s %s: %s\n", r.Code, r.Title, r.Words)
		if r.Do != "" {
			fmt.Fprintf(w, "      to do: %s\n", r.Do)
		}
	}
}

// wiringWalk leads through the walk.
type wiringWalk struct {
	wiringCheck
	Heater string `help:"Nameplate power of the heater, such as 2 kW; without it scales are not judged." placeholder:"POWER"`
	Once   bool   `help:"Show the progress of the walk once and exit."`
	Keep   bool   `help:"Save the result for the report."`
}

// walkPause is how long the terminal waits before it looks again, walkMost how
// long it waits in all.
const (
	walkPause = 2 * time.Second
	walkMost  = 14 * time.Minute
)

// Run says what to switch next until the walk is complete; only what is
// switched from now on counts. In a pipe, over a span of the record, and with
// --once it says where the walk of the last quarter of an hour stands.
func (c *wiringWalk) Run(ctx context.Context, s streams) error {
	a, err := c.Open(c.Keep)
	if err != nil {
		return err
	}
	defer a.Close()
	query := c.span()
	once := c.Once || len(query) > 0 || c.JSON || !term.IsTerminal(int(os.Stdout.Fd()))
	if !once {
		query.Set("from", time.Now().UTC().Format(time.RFC3339Nano))
	}
	if c.Heater != "" {
		query.Set("heater", c.Heater)
	}
	walk, err := c.follow(ctx, a, query, s, once)
	if err != nil {
		return err
	}
	if c.Keep && walk.Complete {
		if err := a.Do(ctx, "POST", "/api/v1/wiring/walk?"+query.Encode(), strings.NewReader(""), io.Discard); err != nil {
			return err
		}
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(walk)
	}
	fmt.Fprintf(s.out, "%s\n", walk.Words)
	if walk.Next != "" {
		fmt.Fprintf(s.out, "next: %s\n", walk.Next)
	}
	fmt.Fprintf(s.out, "%s", walk.Drawing)
	for _, outcome := range []string{"finding", "pass", "cannot tell yet"} {
		printChecks(s.out, walk.Checks, outcome)
	}
	return nil
}

func (c *wiringWalk) follow(ctx context.Context, a *client.Client, query url.Values, s streams, once bool) (walk api.Walk, err error) {
	said := ""
	for end := time.Now().Add(walkMost); ; {
		err := a.List(ctx, "/api/v1/wiring/walk", query, &walk)
		if ctx.Err() != nil {
			return walk, &model.Fault{Code: model.RuntimeFault, Err: errors.New("the walk was interrupted"), Hint: "nothing is saved; start again with tickover wiring walk"}
		}
		if err != nil || walk.Complete || once || time.Now().After(end) {
			return walk, err
		}
		if line := walk.Words + "\n  next: " + walk.Next; line != said {
			said = line
			fmt.Fprintln(s.err, line)
		}
		select {
		case <-ctx.Done(): // the next look tells
		case <-time.After(walkPause):
		}
		walk = api.Walk{}
	}
}
