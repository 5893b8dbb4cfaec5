package main

import (
	"context"
	"fmt"
	"net/url"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/client"
)

// compareCommand holds one run against another.
type compareCommand struct {
	client.StateFolder
	Before string `arg:"" help:"The earlier run, from tickover runs."`
	After  string `arg:"" default:"last" optional:"" help:"The later run; the last when left out."`
	JSON   bool   `help:"Print a JSON object."`
}

// Run prints the differences, the most telling first.
func (c *compareCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	path := "/api/v1/runs/" + url.PathEscape(c.Before) + "/compare/" + url.PathEscape(c.After)
	if c.JSON {
		return a.Get(ctx, s.out, path, nil)
	}
	var found api.Comparison
	if err := a.List(ctx, path, nil, &found); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "Run %s against run %s, largest difference first:\n", found.After, found.Before)
	for i, d := range found.Differences {
		fmt.Fprintf(s.out, "%3d. %s\n", i+1, d.Words)
	}
	if len(found.Differences) == 0 {
		fmt.Fprintln(s.out, "  no figure differs by more than its scatter")
	}
	fmt.Fprintf(s.out, "%d figures agree.\n", found.Alike)
	for _, o := range found.Open {
		fmt.Fprintf(s.out, "Not compared: %s.\n", o)
	}
	return nil
}
