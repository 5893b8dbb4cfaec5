package main

import (
	"context"
	"encoding/json"
	"fmt"
	"text/tabwriter"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/client"
	"tickover/cmd/tickover/record"
)

// runsCommand lists the runs.
type runsCommand struct {
	client.StateFolder
	JSON bool `help:"Print a JSON array."`
}

// Run prints the list.
func (c *runsCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	raw, err := a.AllRuns(ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(raw)
	}
	runs := make([]api.Run, len(raw))
	for i := range raw {
		if err := json.Unmarshal(raw[i], &runs[i]); err != nil {
			return err
		}
	}
	if len(runs) == 0 {
		fmt.Fprintln(s.out, "no runs yet")
		return nil
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "run\tstarted\tended\tcranks\tstarts\trunning")
	for _, r := range runs {
		fmt.Fprintf(w, "%s\t%s\t%s\t%d\t%d\t%s\n", r.ID, r.Date, r.End(), r.Cranks, r.Starts, record.Seconds(r.Running))
	}
	return w.Flush()
}
