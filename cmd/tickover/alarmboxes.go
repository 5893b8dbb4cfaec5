package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/client"
)

// alarmsBoxes lists the black boxes.
type alarmsBoxes struct {
	client.StateFolder
	JSON bool `help:"Print a JSON array."`
}

// Run prints the list.
func (c *alarmsBoxes) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	if c.JSON {
		return a.Get(ctx, s.out, "/api/v1/boxes", nil)
	}
	var boxes []api.BlackBox
	if err := a.List(ctx, "/api/v1/boxes", nil, &boxes); err != nil {
		return err
	}
	if len(boxes) == 0 {
		fmt.Fprintln(s.out, "no black box yet: no critical alarm was raised, and the engine never stopped abruptly")
		return nil
	}
	return printBoxes(s.out, boxes)
}

func printBoxes(out io.Writer, boxes []api.BlackBox) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "box\tfrom\tto\tlogged\tpoints\treadings\twhole\tkept for")
	for _, b := range boxes {
		whole := "yes"
		if !b.Whole {
			whole = "no"
		}
		fmt.Fprintf(w, "%d\t%s\t%s\t%s to %s\t%d\t%d\t%s\t%s\n", b.ID, client.TimeOfDay(b.From, b.FromInstant), client.TimeOfDay(b.To, b.ToInstant),
			b.FromInstant, b.ToInstant, b.Points, b.Readings, whole, strings.Join(b.Why, "; "))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, b := range boxes {
		for _, lack := range b.Lacks {
			fmt.Fprintf(out, "\nbox %d: %s", b.ID, lack)
		}
	}
	_, err := fmt.Fprintln(out, "\nOne of them as CSV: tickover export --box NUMBER")
	return err
}
