package main

import (
	"context"
	"fmt"
	"io"
	"text/tabwriter"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/client"
	"tickover/cmd/tickover/record"
)

// outletsCommand lists where readings and alarms go.
type outletsCommand struct {
	client.StateFolder
	JSON bool `help:"Print a JSON array."`
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
	var rows []api.Outlet
	if err := a.List(ctx, "/api/v1/outlets", nil, &rows); err != nil {
		return err
	}
	if len(rows) == 0 {
		fmt.Fprintln(s.out, "nothing is sent out")
		return nil
	}
	return printOutlets(s.out, rows)
}

func printOutlets(out io.Writer, rows []api.Outlet) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "outlet\tkind\tsent\tfailures\tdropped\twaiting\tbehind")
	for _, r := range rows {
		dropped := uint64(0)
		for _, n := range r.Dropped {
			dropped += n
		}
		fmt.Fprintf(w, "%s\t%s\t%d\t%d\t%d\t%d\t%s\n", r.Name, r.Kind, r.Sent, r.Fails, dropped, r.Pending, record.Seconds(r.Lag))
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
